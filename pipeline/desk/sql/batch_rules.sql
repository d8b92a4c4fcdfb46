-- batch_rules: how often what stands against a vehicle stands against others: of its batch, and of its profile outside it.
-- In:   $vehicle, $batch ('' when it is not known), $profile.
-- Out:  rule, title, severity, in_batch, batch (vehicles), elsewhere, others (vehicles).  Key: rule.  This one is counted.
WITH mine AS (
    SELECT rule, any_value(title) AS title, max(severity) AS severity FROM findings_now WHERE vehicle = $vehicle GROUP BY rule
), herd AS (
    SELECT vehicle, coalesce(batch, '') = $batch AND $batch <> '' AS near FROM vehicles WHERE profile = $profile
), hit AS (
    SELECT DISTINCT f.rule, h.vehicle, h.near FROM findings_now f JOIN herd h USING (vehicle) WHERE f.rule IN (SELECT rule FROM mine)
)
SELECT m.rule, m.title, m.severity, count(h.vehicle) FILTER (h.near) AS in_batch,
       (SELECT count(*) FROM herd WHERE near) AS batch, count(h.vehicle) FILTER (NOT h.near) AS elsewhere,
       (SELECT count(*) FROM herd WHERE NOT near) AS others
FROM mine m LEFT JOIN hit h USING (rule) GROUP BY m.rule, m.title, m.severity ORDER BY m.rule
