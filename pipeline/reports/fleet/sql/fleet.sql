-- fleet: one row a vehicle for the register.  In: -.
-- Out: vehicle, profile, batch, firmware (newest of the controller, else any), last_t, sessions, a column a
--      subsystem (its score, NULL = not assessed), stop_use, service, note (findings), silent (BOOLEAN).  Key: vehicle.
WITH firmware AS (
    SELECT vehicle, max_by(serial, (component = 'controller_firmware', to_t)) AS firmware
    FROM installs WHERE component LIKE '%firmware' GROUP BY vehicle
), found AS (
    SELECT vehicle, count(*) FILTER (severity = 'stop-use') AS stop_use,
           count(*) FILTER (severity = 'service') AS service, count(*) FILTER (severity = 'note') AS note
    FROM (SELECT vehicle, severity FROM findings_now UNION ALL SELECT vehicle, 'stop-use' FROM stop_use_unlooked)
    GROUP BY vehicle
), marks AS (
    FROM (PIVOT scores ON subsystem IN ('cells', 'pack', 'thermal', 'charging', 'braking', 'drive', 'remote link', 'data')
          USING max(score) GROUP BY vehicle)
), used AS (
    SELECT vehicle, count(*) AS sessions FROM sessions GROUP BY vehicle
), quiet AS (
    SELECT vehicle, max_by(change, since_t) = 'silent' AS silent FROM fleet_log
    WHERE change IN ('silent', 'back') GROUP BY vehicle
)
SELECT v.vehicle, v.profile, coalesce(v.batch, '') AS batch, coalesce(firmware, '') AS firmware, v.last_t,
       coalesce(sessions, 0) AS sessions, marks.* EXCLUDE (vehicle), coalesce(stop_use, 0) AS stop_use,
       coalesce(service, 0) AS service, coalesce(note, 0) AS note, coalesce(silent, false) AS silent
FROM vehicles v LEFT JOIN firmware USING (vehicle) LEFT JOIN found USING (vehicle) LEFT JOIN marks USING (vehicle)
LEFT JOIN used USING (vehicle) LEFT JOIN quiet USING (vehicle)
ORDER BY stop_use DESC, service DESC, note DESC, v.vehicle;
