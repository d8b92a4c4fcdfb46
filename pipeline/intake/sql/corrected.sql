-- corrected: the newest word on some logs.
-- In:    corrections; $logs (hashes).   Out: log, to_vehicle (NULL: forgotten).   Key: log
SELECT log, arg_max_null(to_vehicle, correction) AS to_vehicle
FROM corrections WHERE log IN (SELECT unnest($logs::VARCHAR[])) GROUP BY log
