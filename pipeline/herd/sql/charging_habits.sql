-- charging_habits: who charged in the cold, and who had several charges of which none ended full.
-- In:   sessions, metrics (cold_charge_ah, charge_end: 0 = complete, pack_soc_end_pct; soc_end_pct in older rows);
--       days of each vehicle's newest record: $days for charges, $cold_days for the cold; $least charges; $full_at [%]
-- Out:  vehicle, cold_ah, charges, full, highest (state of charge at the end of a charge, %, NULL when not known)
-- Key:  vehicle; most charge in the cold first
WITH dated AS (
    SELECT m.vehicle, m.name, m.value, m.start_t, v.last_t, s.kind FROM metrics m JOIN vehicles v USING (vehicle)
    JOIN sessions s ON s.vehicle = m.vehicle AND s.start_t = m.start_t
    WHERE m.name IN ('cold_charge_ah', 'charge_end', 'pack_soc_end_pct', 'soc_end_pct') AND isfinite(m.value)
), habits AS (
    SELECT vehicle,
           coalesce(sum(value) FILTER (name = 'cold_charge_ah' AND start_t >= last_t - to_seconds($cold_days * 86400)), 0)
               AS cold_ah,
           count(*) FILTER (name = 'charge_end' AND value <> 4 AND start_t >= last_t - to_seconds($days * 86400)) AS charges,
           count(*) FILTER (name = 'charge_end' AND value = 0 AND start_t >= last_t - to_seconds($days * 86400)) AS "full",
           max(value) FILTER (name IN ('pack_soc_end_pct', 'soc_end_pct') AND kind = 'charge'
                              AND start_t >= last_t - to_seconds($days * 86400)) AS highest
    FROM dated GROUP BY vehicle
)
SELECT * FROM habits
WHERE cold_ah > 0 OR (charges >= $least AND "full" = 0 AND coalesce(highest, 0) < $full_at)
ORDER BY cold_ah DESC, charges DESC, vehicle;
