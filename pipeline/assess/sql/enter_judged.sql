-- enter_judged: by what vehicles were judged, in place of what was known.
-- In:    incoming_judged(vehicle, profile, profile_means, rule_set), registered; profile '': by nothing any more
INSERT OR REPLACE INTO judged (vehicle, profile, profile_means, rule_set)
SELECT vehicle, profile, profile_means, rule_set FROM incoming_judged WHERE profile <> ''
