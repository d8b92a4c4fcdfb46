-- drift_known: how many series are long enough to be followed.
-- In:   metrics, vehicles, drift_limits(profile, name, ...); $days: of each vehicle's newest record
-- Out:  series
-- Key:  one row
WITH recent AS (
    SELECT m.vehicle, m.name, m.item, m.start_t FROM metrics m JOIN vehicles v USING (vehicle)
    JOIN drift_limits d ON d.profile = v.profile AND d.name = m.name
    WHERE isfinite(m.value) AND m.start_t >= v.last_t - to_seconds($days * 86400)
)
SELECT count(*) AS series FROM (
    SELECT 1 FROM recent GROUP BY vehicle, name, item HAVING count(*) >= 6 AND max(start_t) - min(start_t) >= to_days(7)
);
