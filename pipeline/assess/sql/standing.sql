-- standing: findings as they stand before new ones take their place.
-- In:    findings; incoming_judged(vehicle), registered
-- Out:   vehicle, rule, item, severity, measured, unit, statement, share
SELECT vehicle, rule, item, severity, measured, unit, statement, share
FROM findings WHERE vehicle IN (SELECT vehicle FROM incoming_judged)
