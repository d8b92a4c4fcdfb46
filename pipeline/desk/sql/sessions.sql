-- sessions: a vehicle's sessions.  In: $vehicle.  Out: start_t, end_t, kind, coverage, logs.  Key: start_t.
SELECT start_t, end_t, kind, coverage, len(logs) AS logs FROM sessions WHERE vehicle = $vehicle
