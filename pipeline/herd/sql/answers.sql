-- answers: every finding, score and refusal as a line of text.
-- In:   findings, scores, not_assessed
-- Out:  line
-- Key:  line; sorted
SELECT concat_ws('|', 'finding', vehicle, rule, item, severity, measured::VARCHAR, "limit"::VARCHAR, se::VARCHAR, statement,
                 rule_set) AS line FROM findings
UNION ALL
SELECT concat_ws('|', 'score', vehicle, subsystem, coalesce(score::VARCHAR, 'not assessed'), rule_set) FROM scores
UNION ALL
SELECT concat_ws('|', 'refused', vehicle, rule, reason) FROM not_assessed
ORDER BY line;
