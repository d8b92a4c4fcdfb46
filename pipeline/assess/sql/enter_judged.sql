-- enter_judged: by what vehicles were judged, in place of what was known.
-- In:    incoming_judged(vehicle, profile, profile_means, rule_set, measured_by), registered; profile '': by nothing any more
INSERT OR REPLACE INTO judged (vehicle, profile, profile_means, rule_set, measured_by)
SELECT vehicle, profile, profile_means, rule_set, measured_by FROM incoming_judged WHERE profile <> ''
