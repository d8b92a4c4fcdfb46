-- firmware_since: which firmware a vehicle's controller named, from when on.
-- In:   installs; $component: like controller_firmware
-- Out:  vehicle, version, from_t
-- Key:  (vehicle, from_t); in order of time for each vehicle
SELECT vehicle, serial AS version, from_t FROM installs WHERE component = $component ORDER BY vehicle, from_t;
