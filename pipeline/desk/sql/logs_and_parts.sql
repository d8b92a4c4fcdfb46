-- logs_and_parts: each log of a vehicle with the file of the lake that holds its rows ('' once they expired).
-- In: $vehicle.  Out: log, part, hash.  Key: log.
SELECT l.log, coalesce(p.part, '') AS part, coalesce(p.hash, '') AS hash
FROM logs l LEFT JOIN parts p USING (log) WHERE l.vehicle = $vehicle
