-- batch_figures: figures of every unit of a profile, each the median over its newest sessions of the session's largest
-- item, as the dossier compares them.
-- In:   $profile, $metrics (names), $last (sessions).
-- Out:  metric, vehicle, batch ('' when it is not known), value, sessions, place (from the highest, of its metric).
-- Key:  (metric, vehicle).
WITH newest AS (
    SELECT m.name AS metric, m.vehicle, m.start_t, max(m.value) AS value,
           row_number() OVER (PARTITION BY m.name, m.vehicle ORDER BY m.start_t DESC) AS age
    FROM metrics m JOIN vehicles v USING (vehicle) WHERE m.name IN (SELECT unnest($metrics)) AND v.profile = $profile
    GROUP BY m.name, m.vehicle, m.start_t
), typical AS (
    SELECT n.metric, n.vehicle, coalesce(v.batch, '') AS batch, median(n.value) AS value, count(*) AS sessions
    FROM newest n JOIN vehicles v USING (vehicle) WHERE n.age <= $last GROUP BY n.metric, n.vehicle, v.batch
)
SELECT *, rank() OVER (PARTITION BY metric ORDER BY value DESC) AS place FROM typical ORDER BY metric, vehicle
