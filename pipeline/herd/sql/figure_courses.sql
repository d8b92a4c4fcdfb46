-- figure_courses: the values of one figure of each vehicle.
-- In:   metrics, vehicles; $figure: name of the metric; $until
-- Out:  vehicle, profile, item, began (DATE: in service, else built; NULL where neither is known),
--       days (DOUBLE[], since 1970), values (DOUBLE[])
-- Key:  (vehicle, item); in order of time within the lists
SELECT m.vehicle, any_value(v.profile) AS profile, m.item, any_value(coalesce(v.in_service, v.built)) AS began,
       list(epoch(m.start_t) / 86400 ORDER BY m.start_t) AS days, list(m.value ORDER BY m.start_t) AS values
FROM metrics m JOIN vehicles v USING (vehicle)
WHERE m.name = $figure AND isfinite(m.value) AND m.start_t < $until
GROUP BY m.vehicle, m.item ORDER BY m.vehicle, m.item;
