-- add_rule_set: a rule set by its version, in words, and which Herdbook first judged by it.
-- In:    $rule_set, $rules (JSON), $version
INSERT INTO rule_sets VALUES ($rule_set, now() AT TIME ZONE 'UTC', $rules, $version)
