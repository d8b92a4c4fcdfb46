-- figure_values: one figure of every vehicle, session by session.
-- In:   metrics, vehicles; $figure: name of the metric; $falls: whether low is bad; $until
-- Out:  vehicle, profile, days (DOUBLE[], since 1970), values (DOUBLE[]: the worst of a session's items)
-- Key:  vehicle; in order of time within the lists
SELECT vehicle, profile, list(epoch(start_t) / 86400 ORDER BY start_t) AS days, list(value ORDER BY start_t) AS values
FROM (SELECT m.vehicle, v.profile, m.start_t, CASE WHEN $falls THEN min(m.value) ELSE max(m.value) END AS value FROM metrics m JOIN vehicles v USING (vehicle)
      WHERE m.name = $figure AND isfinite(m.value) AND m.start_t < $until GROUP BY ALL)
GROUP BY vehicle, profile ORDER BY vehicle;
