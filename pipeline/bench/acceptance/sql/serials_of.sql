-- serials_of: which parts and versions the buses named, the last seen of each last.
-- In:   installs; $vehicle
-- Out:  component, serial
SELECT component, serial FROM installs WHERE vehicle = $vehicle ORDER BY component, to_t, serial;
