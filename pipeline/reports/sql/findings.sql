-- findings: what stands against one vehicle now, the gravest first.  In: $vehicle.  Out: findings rows.  Key: finding.
SELECT * FROM findings_now WHERE vehicle = $vehicle
ORDER BY CASE severity WHEN 'stop-use' THEN 0 WHEN 'service' THEN 1 ELSE 2 END, share DESC, rule, item;
