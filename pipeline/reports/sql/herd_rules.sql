-- herd_rules: of the vehicles of one profile that have sessions: how many a rule found something on, and how many it
-- could not judge. Counts only, so that no other vehicle is named.
-- In: $profile.  Out: rule, found, refused, vehicles.  Key: rule.
WITH herd AS (
    SELECT vehicle FROM vehicles v WHERE v.profile = $profile AND EXISTS (
        SELECT 1 FROM sessions s WHERE s.vehicle = v.vehicle)
), found AS (
    SELECT rule, count(DISTINCT vehicle) AS found FROM findings JOIN herd USING (vehicle) GROUP BY rule
), refused AS (
    SELECT rule, count(DISTINCT vehicle) AS refused FROM not_assessed JOIN herd USING (vehicle) GROUP BY rule
)
SELECT rule, coalesce(found, 0) AS found, coalesce(refused, 0) AS refused, (SELECT count(*) FROM herd) AS vehicles
FROM found FULL JOIN refused USING (rule) ORDER BY rule;
