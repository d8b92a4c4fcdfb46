-- night_networks: which DBC files decoded the night's logs, and how many frames they did not know.
-- In:   logs; $since, $ended: received in between
-- Out:  profile, network (hash), logs, first_t, is_new (BOOLEAN), unknown, unknown_before (shares of frames or NULL)
-- Key:  (profile, network)
WITH night AS (
    SELECT profile, network_hash AS network, count(*) AS logs, min(received_t) AS first_t,
           1 - sum(frames_known) / nullif(sum(frames), 0) AS unknown
    FROM logs WHERE received_t > $since AND received_t <= $ended GROUP BY profile, network_hash
), before AS (
    SELECT profile, list(DISTINCT network_hash) AS networks, 1 - sum(frames_known) / nullif(sum(frames), 0) AS unknown
    FROM logs WHERE received_t <= $since GROUP BY profile
)
SELECT n.profile, n.network, n.logs, n.first_t,
       b.networks IS NOT NULL AND NOT list_contains(b.networks, n.network) AS is_new, n.unknown, b.unknown AS unknown_before
FROM night n LEFT JOIN before b USING (profile) ORDER BY is_new DESC, n.profile, n.network;
