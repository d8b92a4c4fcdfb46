-- back_from_silence: vehicles that record again after a silence that was reported.
-- In:   fleet_log, sessions
-- Out:  vehicle, silent_t (last record before the silence), back_t (start of the first session after it)
-- Key:  vehicle; silences whose end was told before are left out
SELECT f.vehicle, f.since_t AS silent_t, min(s.start_t) AS back_t
FROM fleet_log f JOIN sessions s ON s.vehicle = f.vehicle AND s.start_t > f.since_t
WHERE f.change = 'silent'
  AND NOT EXISTS (SELECT 1 FROM fleet_log b WHERE b.vehicle = f.vehicle AND b.change = 'back' AND b.since_t > f.since_t)
GROUP BY f.vehicle, f.since_t
QUALIFY row_number() OVER (PARTITION BY f.vehicle ORDER BY f.since_t DESC) = 1
ORDER BY f.vehicle;
