-- quarantined_paths: where the logs in quarantine are: all, or those of a name or hash.
-- In:    quarantine, $all (BOOLEAN), $names (file names or hashes).   Out: path.
SELECT path FROM quarantine
WHERE $all OR name IN (SELECT unnest(CAST($names AS VARCHAR[]))) OR log IN (SELECT unnest(CAST($names AS VARCHAR[])))
