-- parked: vehicles whose newest session ended near empty or near full, and that have not been recorded since.
-- In:   sessions, metrics (pack_soc_end_pct, else soc_end_pct, as it was called in older rows); $as_of (by which it is chosen), $today (to
--       which days count), $empty, $full [%], $empty_days, $full_days
-- Out:  vehicle, state (empty | full), soc [%], since_t, days
-- Key:  vehicle; longest ago first
WITH newest AS (
    SELECT vehicle, max_by(start_t, end_t) AS start_t, max(end_t) AS since_t FROM sessions GROUP BY vehicle
), charge AS (
    SELECT n.vehicle, n.since_t, epoch($as_of - n.since_t) / 86400 AS behind,
           epoch(greatest($today, $as_of) - n.since_t) / 86400 AS days,
           coalesce(max(m.value) FILTER (m.name = 'pack_soc_end_pct'), max(m.value)) AS soc
    FROM newest n JOIN metrics m ON m.vehicle = n.vehicle AND m.start_t = n.start_t
    WHERE m.name IN ('soc_end_pct', 'pack_soc_end_pct') AND isfinite(m.value) GROUP BY n.vehicle, n.since_t
)
SELECT vehicle, CASE WHEN soc <= $empty THEN 'empty' ELSE 'full' END AS state, soc, since_t, days FROM charge
WHERE (soc <= $empty AND behind >= $empty_days) OR (soc >= $full AND behind >= $full_days)
ORDER BY state, days DESC, vehicle;
