-- exposure: how much new record a night brought: per vehicle from where its record ended (or begins) to where it ends.
-- In:   logs; $since, $ended: received in between
-- Out:  days (of record, summed over vehicles), vehicles
-- Key:  one row
WITH before AS (
    SELECT vehicle, max(end_t) AS end_t FROM logs WHERE received_t <= $since GROUP BY vehicle
), news AS (
    SELECT vehicle, min(start_t) AS start_t, max(end_t) AS end_t FROM logs
    WHERE received_t > $since AND received_t <= $ended GROUP BY vehicle
)
SELECT coalesce(sum(greatest(epoch(n.end_t - coalesce(b.end_t, n.start_t)), 0)), 0) / 86400 AS days, count(*) AS vehicles
FROM news n LEFT JOIN before b USING (vehicle);
