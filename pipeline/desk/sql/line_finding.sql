-- line_finding: what scans told of a rule's findings of a vehicle, and what stands now.
-- In:   $vehicle, $rule.
-- Out:  told_t (start of the scan; NULL of what stands now), change (new | worse | better | gone | stands), item, severity,
--       measured, unit, se, first_t, last_t, "limit", count, duration_s, statement, rule_set.
-- Key:  (told_t, change, item).
SELECT s.started_t AS told_t, l.change, l.item, l.severity, l.measured, l.unit, l.se, l.first_t, l.last_t, l."limit", l.count,
       l.duration_s, l.statement, s.rule_set
FROM finding_log l JOIN scans s USING (scan) WHERE l.vehicle = $vehicle AND l.rule = $rule
UNION ALL
SELECT NULL, 'stands', item, severity, measured, unit, se, first_t, last_t, "limit", count, duration_s, statement, rule_set
FROM findings_now WHERE vehicle = $vehicle AND rule = $rule
ORDER BY ALL
