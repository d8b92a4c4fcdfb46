-- logs_of_part: where some logs were last seen, and by which files they were decoded.
-- In:    logs, $logs (hashes).   Out: log, path, profile, network_hash.   Key: log; in order of it
SELECT log, path, profile, network_hash FROM logs WHERE log IN (SELECT unnest($logs)) ORDER BY log
