-- standing: findings as they stand before new ones take their place.
-- In:    findings; $vehicles
-- Out:   vehicle, rule, item, severity, measured, unit, statement, share
SELECT vehicle, rule, item, severity, measured, unit, statement, share
FROM findings WHERE vehicle IN (SELECT unnest($vehicles::VARCHAR[]))
