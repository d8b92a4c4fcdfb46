-- findings: what stands against a vehicle, or against all.  In: $vehicle ('' for all).  Out: findings_now rows.  Key: finding.
SELECT * FROM findings_now WHERE $vehicle IN ('', vehicle) ORDER BY vehicle, share DESC, rule, item
