-- traits: what vehicles may have in common: batch, profile, and the newest firmware and hardware of each component.
-- In:   vehicles, installs
-- Out:  vehicle, trait (in words), value, since_t (first time seen on this vehicle; NULL for batch and profile)
-- Key:  (vehicle, trait)
WITH newest AS (
    SELECT vehicle, component, serial, min(from_t) AS since_t, max(to_t) AS seen_t FROM installs
    WHERE component LIKE '%firmware' OR component LIKE '%hardware' GROUP BY vehicle, component, serial
    QUALIFY row_number() OVER (PARTITION BY vehicle, component ORDER BY seen_t DESC, serial) = 1
)
SELECT vehicle, replace(component, '_', ' ') AS trait, serial AS value, since_t FROM newest
UNION ALL SELECT vehicle, 'batch', batch, NULL FROM vehicles WHERE batch IS NOT NULL AND batch <> ''
UNION ALL SELECT vehicle, 'profile', profile, NULL FROM vehicles
ORDER BY vehicle, trait;
