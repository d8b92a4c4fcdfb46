-- logs_known: what the ledger has of some logs already.
-- In:    logs, seen, $logs (hashes).   Out: log, path, vehicle, part, stamp (of the file as it was taken).   Key: log
SELECT l.log, l.path, l.vehicle, l.part, s.stamp
FROM logs l LEFT JOIN seen s ON s.path = l.path AND s.log = l.log
WHERE l.log IN (SELECT unnest($logs))
