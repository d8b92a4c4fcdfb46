-- newest_of_networks: the newest logs of each profile, by the DBC files they were decoded by.
-- In:    logs; $tried (how many of each).   Out: profile, network_hash, logs, all_logs (of the profile).
-- Key:   (profile, network_hash), in its order.  Note: one look at all logs, whatever profiles there are.
SELECT profile, network_hash, max_by(log, start_t, $tried) AS logs, sum(count(*)) OVER (PARTITION BY profile) AS all_logs
FROM logs GROUP BY profile, network_hash ORDER BY profile, network_hash
