-- all_findings: every finding, each vehicle's gravest first.  In: -.  Out: findings rows.  Key: finding.
SELECT * FROM findings_now
ORDER BY CASE severity WHEN 'stop-use' THEN 0 WHEN 'service' THEN 1 ELSE 2 END, share DESC, rule, item;
