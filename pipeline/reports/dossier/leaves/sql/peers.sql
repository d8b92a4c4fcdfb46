-- peers: one figure a vehicle of the same profile: median over its newest sessions of the session's largest item.
-- In: $profile, $metric, $last (sessions).  Out: vehicle, batch, firmware (newest of the controller), value, sessions.
-- Key: vehicle.
WITH firmware AS (
    SELECT vehicle, max_by(serial, to_t) AS firmware FROM installs WHERE component = 'controller_firmware' GROUP BY vehicle
), newest AS (
    SELECT m.vehicle, m.start_t, max(m.value) AS value,
           row_number() OVER (PARTITION BY m.vehicle ORDER BY m.start_t DESC) AS age
    FROM metrics m JOIN vehicles v USING (vehicle) WHERE m.name = $metric AND v.profile = $profile
    GROUP BY m.vehicle, m.start_t
)
SELECT n.vehicle, coalesce(v.batch, '') AS batch, coalesce(f.firmware, '') AS firmware, median(n.value) AS value,
       count(*) AS sessions
FROM newest n JOIN vehicles v USING (vehicle) LEFT JOIN firmware f USING (vehicle)
WHERE n.age <= $last GROUP BY n.vehicle, v.batch, f.firmware ORDER BY n.vehicle;
