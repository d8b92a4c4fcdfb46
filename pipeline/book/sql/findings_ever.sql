-- findings_ever: every finding that a scan ever told.
-- In:   finding_log, findings
-- Out:  vehicle, rule, item
-- Key:  all of it
SELECT DISTINCT vehicle, rule, item FROM finding_log UNION SELECT vehicle, rule, item FROM findings;
