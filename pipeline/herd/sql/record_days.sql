-- record_days: on which days a vehicle has a record.
-- In:   vehicles, sessions
-- Out:  vehicle, type (its profile), days (DOUBLE[], whole days since 1970, in order)
-- Key:  vehicle
SELECT v.vehicle, v.profile AS type, list_sort(list(DISTINCT CAST(floor(epoch(s.start_t) / 86400) AS DOUBLE))) AS days
FROM vehicles v JOIN sessions s USING (vehicle) GROUP BY ALL ORDER BY ALL;
