-- runs: the newest scans with how long they took until their results were committed.
-- In:   scans; $last: how many
-- Out:  scan, started_t, seconds (NULL: not ended in order), state, logs_new, logs_known, quarantined, vehicles
-- Key:  scan; newest first
SELECT scan, started_t, CASE WHEN state = 'complete' THEN epoch(ended_t - started_t) END AS seconds, state,
       coalesce(logs_new, 0) AS logs_new, coalesce(logs_known, 0) AS logs_known, coalesce(quarantined, 0) AS quarantined,
       coalesce(vehicles, 0) AS vehicles
FROM scans ORDER BY scan DESC LIMIT $last;
