-- named_by_person: logs that are not in the ledger, and whose they are by a person's newest word.
-- In:    corrections, logs.   Out: log, vehicle.   Key: log
SELECT log, arg_max_null(to_vehicle, correction) AS vehicle
FROM corrections WHERE log NOT IN (SELECT log FROM logs)
GROUP BY log HAVING arg_max_null(to_vehicle, correction) IS NOT NULL
