-- parts_by_network: the parts of a profile, together as they share a layout.
-- In:    parts, logs, $profile.   Out: a list of (part, hash), in order of both.   Key: network (DBC files)
SELECT list(DISTINCT (p.part, p.hash) ORDER BY (p.part, p.hash))
FROM parts p JOIN logs l USING (log)
WHERE l.profile = $profile GROUP BY l.network_hash ORDER BY l.network_hash
