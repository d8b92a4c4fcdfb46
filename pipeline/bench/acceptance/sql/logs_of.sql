-- logs_of: the logs of a vehicle that a test is made from.
-- In:   logs; $vehicle
-- Out:  the columns of UnitLog in acceptance/scenes.py
-- Key:  log
SELECT log, name, format, status, lost_bytes AS lost, start_t, end_t, coalesce(bench, false) AS bench
FROM logs WHERE vehicle = $vehicle ORDER BY start_t, log;
