-- fleet_findings: every finding in one line, stop-use first.
-- In:    findings of the published catalogue; $severities VARCHAR[]
-- Out:   vehicle, severity, rule, item, statement
SELECT vehicle, severity, rule, item, statement FROM findings_now WHERE list_contains($severities, severity)
ORDER BY CASE severity WHEN 'stop-use' THEN 0 WHEN 'service' THEN 1 ELSE 2 END, vehicle, share DESC, rule, item;
