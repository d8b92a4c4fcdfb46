-- newest_values: one figure of each vehicle of a type, its sessions from the newest back.
-- In:   metrics, vehicles; $profile, $figure: name of the metric; $falls: whether low is bad
-- Out:  vehicle, values (DOUBLE[]: the worst of a session's items, the newest first)
-- Key:  vehicle
SELECT vehicle, list(value ORDER BY start_t DESC) AS values
FROM (SELECT m.vehicle, m.start_t, CASE WHEN $falls THEN min(m.value) ELSE max(m.value) END AS value FROM metrics m JOIN vehicles v USING (vehicle)
      WHERE v.profile = $profile AND m.name = $figure AND isfinite(m.value) GROUP BY m.vehicle, m.start_t)
GROUP BY vehicle ORDER BY vehicle;
