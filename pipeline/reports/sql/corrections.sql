-- corrections: what people said of logs that were or are a vehicle's, by a time.
-- In:    corrections; $vehicle, $as_of (naive UTC; NULL: all)
-- Out:   log, name, from_vehicle, to_vehicle (NULL: forgotten), start_t, end_t, made_t, made_by, why, in that order
SELECT log, name, from_vehicle, to_vehicle, start_t, end_t, made_t, made_by, why
FROM corrections
WHERE (from_vehicle = $vehicle OR to_vehicle = $vehicle) AND ($as_of IS NULL OR made_t <= $as_of)
ORDER BY correction
