-- last_scores: the score last entered of each vehicle and subsystem.
-- In:    score_log; $vehicles
-- Out:   vehicle, subsystem, score (NULL: not assessed)
SELECT vehicle, subsystem, last(score ORDER BY rowid) AS score
FROM score_log WHERE vehicle IN (SELECT unnest($vehicles::VARCHAR[]))
GROUP BY ALL
