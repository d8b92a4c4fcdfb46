-- vehicle_days: the days (UTC) on which each vehicle left a record, and its newest record.
-- In:   logs; $now = the wall clock, so that a logger set to the future does not age the whole fleet
-- Out:  vehicle, days DATE[] in order, last_t TIMESTAMP
-- Key:  vehicle
SELECT vehicle, list_sort(list_distinct(list(CAST(start_t AS DATE)))) AS days, max(end_t) AS last_t
FROM logs WHERE end_t <= $now
GROUP BY vehicle ORDER BY vehicle;
