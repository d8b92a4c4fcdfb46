-- named_by_person: whose logs are by a person's newest word, but for those that were forgotten.
-- In:    corrections.   Out: log, vehicle.   Key: log
SELECT log, arg_max_null(to_vehicle, correction) AS vehicle
FROM corrections GROUP BY log HAVING arg_max_null(to_vehicle, correction) IS NOT NULL
