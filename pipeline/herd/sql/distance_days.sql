-- distance_days: kilometres on record, by vehicle and day.
-- In:   metrics
-- Out:  vehicle, day (DATE, UTC), km
-- Key:  (vehicle, day)
SELECT vehicle, CAST(start_t AS DATE) AS day, sum(value) AS km FROM metrics WHERE name = 'distance_km' GROUP BY ALL
ORDER BY ALL;
