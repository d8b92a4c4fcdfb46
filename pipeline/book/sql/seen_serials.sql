-- seen_serials: serial numbers seen on the buses.
-- In:   installs; $vehicle (NULL for every vehicle)
-- Out:  vehicle, component, serial, from_t, to_t
SELECT vehicle, component, serial, from_t, to_t FROM installs WHERE $vehicle IS NULL OR vehicle = $vehicle
ORDER BY vehicle, component, from_t;
