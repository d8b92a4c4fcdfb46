-- newest_of_networks: the newest logs of a profile, by the DBC files they were decoded by.
-- In:    logs; $profile, $tried (how many of each).   Out: network_hash, logs.   Key: network_hash, in its order
SELECT network_hash, max_by(log, start_t, $tried) AS logs FROM logs WHERE profile = $profile
GROUP BY network_hash ORDER BY network_hash
