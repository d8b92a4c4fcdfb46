-- last_session: a vehicle's newest session.
-- In:   sessions; $vehicle
-- Out:  start_t, end_t; no row for a vehicle without one
SELECT start_t, end_t FROM sessions WHERE vehicle = $vehicle ORDER BY start_t DESC LIMIT 1;
