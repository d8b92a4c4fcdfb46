-- to_be_muted: what stands of a rule on a vehicle.
-- In:   findings; $vehicle, $rule, $item (NULL for every item)
-- Out:  item, severity
-- Key:  item
SELECT item, severity FROM findings
WHERE vehicle = $vehicle AND rule = $rule AND ($item IS NULL OR item = $item)
ORDER BY item;
