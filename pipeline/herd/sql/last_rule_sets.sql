-- last_rule_sets: the rule sets of the two newest complete scans, the newest first.
-- In:   scans
-- Out:  rule_set
-- Key:  none; two rows at most
SELECT rule_set FROM scans WHERE state = 'complete' ORDER BY scan DESC LIMIT 2;
