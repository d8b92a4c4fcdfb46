-- told_ever: every finding that a scan ever told, and when first.
-- In:   finding_log, scans
-- Out:  vehicle, rule, item, severity (the gravest told), first_told_t, evidence_t (start of its first evidence, or NULL)
-- Key:  (vehicle, rule, item)
SELECT f.vehicle, f.rule, f.item,
       CASE WHEN bool_or(f.severity = 'stop-use') THEN 'stop-use' WHEN bool_or(f.severity = 'service') THEN 'service' ELSE 'note' END
           AS severity,
       min(s.started_t) AS first_told_t, min(f.first_t) AS evidence_t
FROM finding_log f JOIN scans s USING (scan) WHERE f.change <> 'gone' GROUP BY ALL ORDER BY ALL;
