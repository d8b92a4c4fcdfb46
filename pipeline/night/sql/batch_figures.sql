-- batch_figures: one value a vehicle of one figure: the mean of its newest sessions, each with the worst of its items.
-- In:   metrics, vehicles, master_data; $figure: name of the metric; $falls: whether low is bad; $days before each
--       type's newest record; $least sessions
-- Out:  profile, batch, site ('' where not known), vehicle, value; windows (how often $days fit into the type's record)
-- Key:  vehicle; only vehicles with a batch and so many sessions
WITH listed AS (
    SELECT vehicle, max(value) FILTER (fact = 'batch') AS batch, max(value) FILTER (fact = 'customer_ref') AS site
    FROM master_data GROUP BY vehicle
), reach AS (
    SELECT profile, max(last_t) AS last_t, greatest(epoch(max(last_t) - min(first_t)) / 86400 / $days, 1) AS windows
    FROM vehicles GROUP BY profile
), sessions AS (
    SELECT m.vehicle, m.start_t, CASE WHEN $falls THEN min(m.value) ELSE max(m.value) END AS value
    FROM metrics m JOIN vehicles v USING (vehicle) JOIN reach r USING (profile)
    WHERE m.name = $figure AND isfinite(m.value) AND m.start_t >= r.last_t - to_seconds($days * 86400) GROUP BY ALL
)
SELECT v.profile, coalesce(l.batch, v.batch) AS batch, coalesce(l.site, v.customer_ref, '') AS site, s.vehicle,
       avg(s.value) AS value, any_value(r.windows) AS windows
FROM sessions s JOIN vehicles v USING (vehicle) JOIN reach r USING (profile) LEFT JOIN listed l USING (vehicle)
WHERE coalesce(l.batch, v.batch, '') <> ''
GROUP BY v.profile, v.batch, l.batch, l.site, v.customer_ref, s.vehicle HAVING count(*) >= $least ORDER BY s.vehicle;
