-- parts_of_profiles: every part of some profiles, with its hash.
-- In:    parts, logs, $profiles (names).   Out: part, hash.   Key: part
SELECT DISTINCT p.part, p.hash FROM parts p JOIN logs l USING (log)
WHERE l.profile IN (SELECT unnest($profiles)) ORDER BY p.part
