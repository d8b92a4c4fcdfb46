-- vehicles_by_profile: vehicles that cannot be judged while some profiles are refused.
-- In:   logs, touched; $profiles: names of the refused ones
-- Out:  vehicle, profile, by vehicle: where its newest log is by one of them, or any log and the vehicle is touched
WITH by_age AS (
    SELECT vehicle, profile, row_number() OVER (PARTITION BY vehicle ORDER BY start_t DESC, log DESC) AS age FROM logs
)
SELECT vehicle, arg_min(profile, age) AS profile
FROM by_age
WHERE profile IN (SELECT unnest($profiles))
  AND (age = 1 OR vehicle IN (SELECT vehicle FROM touched))
GROUP BY vehicle ORDER BY vehicle;
