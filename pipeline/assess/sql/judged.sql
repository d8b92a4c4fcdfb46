-- judged: every vehicle that was judged, and by what; who has a stop-use finding first, then by time of the newest log.
-- In:    vehicles, logs, judged, scores, findings, touched
-- Out:   vehicle, profile (of its newest log), profile_means and rule_set it was judged by (profile_means NULL: judged
--        before that was kept), profile_hash (as its newest log was taken), touched (it is to be judged anyway)
-- Key:   vehicle
WITH newest AS (
    SELECT vehicle, arg_max(profile, (start_t, log)) AS profile, arg_max(profile_hash, (start_t, log)) AS profile_hash,
           max(end_t) AS last_t
    FROM logs GROUP BY vehicle
), scored AS (
    SELECT vehicle, any_value(rule_set) AS rule_set FROM scores GROUP BY vehicle
), graver AS (
    SELECT DISTINCT vehicle FROM findings WHERE severity = 'stop-use'
)
SELECT n.vehicle, n.profile, j.profile_means, n.profile_hash, coalesce(j.rule_set, s.rule_set) AS rule_set,
       t.vehicle IS NOT NULL AS touched
FROM newest n JOIN scored s USING (vehicle) LEFT JOIN judged j USING (vehicle) LEFT JOIN touched t USING (vehicle)
LEFT JOIN graver g USING (vehicle)
ORDER BY g.vehicle IS NULL, n.last_t DESC, n.vehicle
