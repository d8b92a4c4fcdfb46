-- parts_checked: every part, what its bytes must be, and whose rows it holds.
-- In:    parts, logs.   Out: part, hash, logs [log], vehicles [vehicle].   Key: part
SELECT p.part, any_value(p.hash) AS hash, list(p.log ORDER BY p.log) AS logs,
       list(DISTINCT l.vehicle ORDER BY l.vehicle) AS vehicles
FROM parts p JOIN logs l USING (log) GROUP BY p.part ORDER BY p.part
