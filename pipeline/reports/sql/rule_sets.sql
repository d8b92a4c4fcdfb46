-- rule_sets: every rule set that judged, oldest first.  In: -.  Out: the rule_sets rows.  Key: rule_set.
SELECT * FROM rule_sets ORDER BY made_t, rule_set;
