-- last_log: a vehicle's newest log, for a store whose sessions no scan has made yet.
-- In:   logs; $vehicle
-- Out:  start_t, end_t; no row for a vehicle without one
SELECT start_t, end_t FROM logs WHERE vehicle = $vehicle ORDER BY start_t DESC LIMIT 1;
