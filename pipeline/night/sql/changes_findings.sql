-- changes_findings: what one night did to the findings, netted over the scans it covers.
-- In:   finding_log, nights, findings, not_assessed; $scan = the completed scan that tells the night
-- Out:  vehicle, rule, item, title, before (severity or NULL), change (as last logged), severity, measured, unit,
--       statement, refused (why the rule cannot judge now, or NULL)
-- Key:  (vehicle, rule, item)
-- Note: a finding that came and went within the night is left out.
WITH mine AS (
    SELECT f.*, f.rowid AS nth FROM finding_log f JOIN nights n USING (scan) WHERE n.by_scan = $scan
), netted AS (
    SELECT vehicle, rule, item,
           first(severity_before ORDER BY nth) AS before, last(change ORDER BY nth) AS change,
           last(severity ORDER BY nth) AS severity, last(measured ORDER BY nth) AS measured,
           last(unit ORDER BY nth) AS unit, last(statement ORDER BY nth) AS statement
    FROM mine GROUP BY vehicle, rule, item
)
SELECT n.vehicle, n.rule, n.item, coalesce(f.title, n.rule) AS title, n.before, n.change, n.severity,
       n.measured, n.unit, n.statement, r.reason AS refused
FROM netted n
LEFT JOIN findings f ON f.vehicle = n.vehicle AND f.rule = n.rule AND f.item = n.item
LEFT JOIN (SELECT vehicle, rule, min(reason) AS reason FROM not_assessed GROUP BY ALL) r
       ON r.vehicle = n.vehicle AND r.rule = n.rule
WHERE NOT (n.before IS NULL AND n.change = 'gone')
ORDER BY n.vehicle, n.rule, n.item;
