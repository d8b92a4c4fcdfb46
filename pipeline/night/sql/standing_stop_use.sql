-- standing_stop_use: stop-use findings as they stand.
-- In:   findings
-- Out:  vehicle, title, item, statement
-- Key:  (vehicle, rule, item)
SELECT vehicle, title, item, statement FROM findings WHERE severity = 'stop-use' ORDER BY vehicle, rule, item;
