-- fleet_findings: every finding in one line, stop-use first; also stop-use findings that nobody looked into since.
-- In:    findings of the published catalogue; $severities VARCHAR[]
-- Out:   vehicle, severity, rule, item, statement
WITH every AS (
    SELECT vehicle, severity, rule, item, statement, share FROM findings_now
    UNION ALL SELECT vehicle, 'stop-use', rule, item, statement || ' ' || unlooked, 1.0 FROM stop_use_unlooked
)
SELECT vehicle, severity, rule, item, statement FROM every WHERE list_contains($severities, severity)
ORDER BY CASE severity WHEN 'stop-use' THEN 0 WHEN 'service' THEN 1 ELSE 2 END, vehicle, share DESC, rule, item;
