-- parts_by_network: the parts of a profile, together as they share a layout.
-- In:    parts, logs, $profile.   Key: network (DBC files)
-- Out:   a list of (part, hash, shared), in order of all three. shared: one of its logs overlaps another log of the vehicle
--        in time, so that the same frames may lie in both.
WITH beside AS (
    SELECT log, vehicle, start_t, end_t, lead(start_t) OVER (PARTITION BY vehicle ORDER BY start_t, log) AS next_t,
           max(end_t) OVER (PARTITION BY vehicle ORDER BY start_t, log
                            ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING) AS before_t
    FROM logs
), named AS (
    SELECT l.network_hash, p.part, p.hash,
           bool_or(coalesce(b.start_t <= b.before_t, false) OR coalesce(b.end_t >= b.next_t, false)) AS shared
    FROM parts p JOIN logs l USING (log) JOIN beside b USING (log)
    WHERE l.profile = $profile GROUP BY ALL
)
SELECT list((part, hash, shared) ORDER BY (part, hash, shared)) FROM named GROUP BY network_hash ORDER BY network_hash
