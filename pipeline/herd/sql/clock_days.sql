-- clock_days: how much of a use (kilometres, cycles, hours that age) is on record, by vehicle and day.
-- In:   metrics; $figure: name of the metric; its items are summed
-- Out:  vehicle, day (DATE, UTC), used
-- Key:  (vehicle, day)
SELECT vehicle, CAST(start_t AS DATE) AS day, sum(value) AS used FROM metrics WHERE name = $figure AND isfinite(value)
GROUP BY ALL ORDER BY ALL;
