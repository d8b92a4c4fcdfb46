-- compared_metrics: every figure of the sessions of one vehicle that begin in a stretch of time.
-- In:   metrics, sessions; $vehicle, $from_t and $to_t (TIMESTAMP UTC, or NULL where the stretch is open)
-- Out:  kind (of session), name, item, unit, start_t, value, se (NULL: not known)
-- Key:  (kind, name, item, start_t)
SELECT s.kind, m.name, m.item, m.unit, m.start_t, m.value, m.se FROM metrics m JOIN sessions s USING (vehicle, start_t)
WHERE vehicle = $vehicle AND isfinite(m.value) AND m.start_t >= coalesce($from_t, TIMESTAMP '0001-01-01')
  AND m.start_t < coalesce($to_t, TIMESTAMP '9999-01-01')
ORDER BY ALL;
