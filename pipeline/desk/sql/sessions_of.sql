-- sessions_of: every session of a vehicle with its logs.  In: $vehicle.  Out: start_t, end_t, kind, logs.  Key: start_t.
SELECT start_t, end_t, kind, logs FROM sessions WHERE vehicle = $vehicle ORDER BY start_t
