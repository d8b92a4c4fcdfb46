-- monthly_values: one figure of every vehicle of a type, month by month.
-- In:   metrics, vehicles; $profile, $figure: name of the metric
-- Out:  vehicle, month (1 to 12), day (middle of its sessions, days since 1970), value (mean), sessions
-- Key:  (vehicle, year and month); in order of time
SELECT m.vehicle, month(m.start_t) AS month, median(epoch(m.start_t) / 86400) AS day, avg(m.value) AS value,
       count(*) AS sessions
FROM metrics m JOIN vehicles v USING (vehicle)
WHERE v.profile = $profile AND m.name = $figure AND isfinite(m.value)
GROUP BY m.vehicle, year(m.start_t), month(m.start_t) ORDER BY m.vehicle, day;
