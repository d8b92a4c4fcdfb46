-- findings_of: what the fleet's rules say of the logs of a test, gravest first.
-- In:   findings; $vehicle
-- Out:  severity, rule, title, item, statement
-- Key:  (rule, item)
SELECT severity, rule, title, item, statement FROM findings WHERE vehicle = $vehicle
ORDER BY list_position(['stop-use', 'service', 'note'], severity), rule, item;
