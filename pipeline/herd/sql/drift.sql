-- drift: series whose middle lies at least part of the way from healthy to the limit, on either side where both count.
-- In:   metrics, vehicles, drift_limits(profile, name, healthy, limit, two_sided); $days of each vehicle's newest record; $half
-- Out:  vehicle, name, item, unit, limit (with the sign of the side), days (DOUBLE[], since 1970), values (DOUBLE[])
-- Key:  (vehicle, name, item); in order of time within the lists
WITH recent AS (
    SELECT m.vehicle, m.name, m.item, m.unit, m.start_t, m.value, d.healthy, d."limit", d.two_sided
    FROM metrics m JOIN vehicles v USING (vehicle) JOIN drift_limits d ON d.profile = v.profile AND d.name = m.name
    WHERE isfinite(m.value) AND m.start_t >= v.last_t - to_seconds($days * 86400)
), chosen AS (
    SELECT vehicle, name, item,
           any_value(CASE WHEN two_sided THEN sign(middle) * "limit" ELSE "limit" END) AS side_limit
    FROM (SELECT *, median(value) OVER (PARTITION BY vehicle, name, item) AS middle FROM recent)
    GROUP BY vehicle, name, item
    HAVING count(*) >= 6 AND max(start_t) - min(start_t) >= to_days(7)
       AND any_value(((CASE WHEN two_sided THEN abs(middle) ELSE middle END) - healthy) / ("limit" - healthy)) >= $half
)
SELECT r.vehicle, r.name, r.item, any_value(r.unit) AS unit, any_value(c.side_limit) AS "limit",
       list(epoch(r.start_t) / 86400 ORDER BY r.start_t) AS days, list(r.value ORDER BY r.start_t) AS values
FROM recent r JOIN chosen c USING (vehicle, name, item)
GROUP BY r.vehicle, r.name, r.item ORDER BY r.vehicle, r.name, r.item;
