-- sessions_of: the sessions of a vehicle, with the logs behind each.
-- In:   sessions; $vehicle
-- Out:  kind, start_t, end_t, logs
-- Key:  start_t
SELECT kind, start_t, end_t, logs FROM sessions WHERE vehicle = $vehicle ORDER BY start_t;
