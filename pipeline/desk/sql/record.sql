-- record: one vehicle's first and last moment on record, its zone and profile.
-- In: $vehicle.  Out: first_t, last_t, zone, profile, logs.  Key: one row, or none.
SELECT min(l.start_t) AS first_t, max(l.end_t) AS last_t, any_value(v.zone) AS zone, any_value(v.profile) AS profile,
       count(l.log) AS logs
FROM vehicles v LEFT JOIN logs l USING (vehicle) WHERE v.vehicle = $vehicle GROUP BY v.vehicle
