-- changed_from: from when on logs and stretches of a vehicle can be others than at its last assessment: the beginning of
--                what a new log joins. Stretches that a midnight cut, or that lie no further apart than that, are one.
-- In:    touched, judged, stretches; $vehicles, $measured_by, $join_us (microseconds)
-- Out:   vehicle, from_us (microseconds UTC).  No row: all of it may be.  Key: vehicle
WITH asked AS (
    SELECT vehicle, t.from_t FROM touched t JOIN judged j USING (vehicle)
    WHERE vehicle IN (SELECT unnest($vehicles::VARCHAR[])) AND t.from_t IS NOT NULL AND j.measured_by = $measured_by
), parted AS (
    SELECT s.vehicle, s.start_t, s.end_t,
           coalesce(s.start_t - lag(s.end_t) OVER before >= to_microseconds($join_us), true) AS parted
    FROM stretches s JOIN asked USING (vehicle)
    WINDOW before AS (PARTITION BY s.vehicle ORDER BY s.start_t)
), numbered AS (
    SELECT *, count(*) FILTER (parted) OVER (PARTITION BY vehicle ORDER BY start_t) AS run FROM parted
), runs AS (
    SELECT vehicle, min(start_t) AS start_t, max(end_t) AS end_t FROM numbered GROUP BY vehicle, run
)
SELECT a.vehicle, epoch_us(least(a.from_t, min(r.start_t))) AS from_us
FROM asked a LEFT JOIN runs r ON r.vehicle = a.vehicle AND r.end_t >= a.from_t - to_microseconds($join_us)
GROUP BY a.vehicle, a.from_t
