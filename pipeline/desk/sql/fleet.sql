-- fleet: one row a vehicle for the list, those that were asked for.
-- In:   $find (words that must all stand in name, batch, firmware or profile), $show ('', 'stop-use', 'service', 'note',
--       'clear', 'silent', 'unknown').
-- Out:  vehicle, profile, batch, firmware, last_t, sessions, a column a subsystem (NULL = not assessed), stop_use,
--       service, note (findings), silent.  Key: vehicle.
WITH firmware AS (
    SELECT vehicle, max_by(serial, (component = 'controller_firmware', to_t)) AS firmware
    FROM installs WHERE component LIKE '%firmware' GROUP BY vehicle
), found AS (
    SELECT vehicle, count(*) FILTER (severity = 'stop-use') AS stop_use,
           count(*) FILTER (severity = 'service') AS service, count(*) FILTER (severity = 'note') AS note
    FROM (SELECT vehicle, severity FROM findings_now UNION ALL SELECT vehicle, 'stop-use' FROM stop_use_unlooked)
    GROUP BY vehicle
), marks AS (
    SELECT vehicle, max(score) FILTER (subsystem = 'cells') AS cells, max(score) FILTER (subsystem = 'pack') AS pack,
           max(score) FILTER (subsystem = 'thermal') AS thermal, max(score) FILTER (subsystem = 'charging') AS charging,
           max(score) FILTER (subsystem = 'braking') AS braking, max(score) FILTER (subsystem = 'drive') AS drive,
           max(score) FILTER (subsystem = 'remote link') AS "remote link", max(score) FILTER (subsystem = 'data') AS data
    FROM scores GROUP BY vehicle
), used AS (
    SELECT vehicle, count(*) AS sessions FROM sessions GROUP BY vehicle
), quiet AS (
    SELECT vehicle, max_by(change, since_t) = 'silent' AS silent FROM fleet_log
    WHERE change IN ('silent', 'back') GROUP BY vehicle
), herd AS (
    SELECT v.vehicle, v.profile, coalesce(v.batch, '') AS batch, coalesce(firmware, '') AS firmware, v.last_t,
           coalesce(sessions, 0) AS sessions, marks.* EXCLUDE (vehicle), coalesce(stop_use, 0) AS stop_use,
           coalesce(service, 0) AS service, coalesce(note, 0) AS note, coalesce(silent, false) AS silent
    FROM vehicles v LEFT JOIN firmware USING (vehicle) LEFT JOIN found USING (vehicle) LEFT JOIN marks USING (vehicle)
    LEFT JOIN used USING (vehicle) LEFT JOIN quiet USING (vehicle)
)
SELECT * FROM herd
WHERE coalesce(list_bool_and([contains(lower(concat_ws(' ', vehicle, batch, firmware, profile)), w) FOR w IN $find]), true)
  AND CASE $show WHEN '' THEN true WHEN 'stop-use' THEN stop_use > 0 WHEN 'service' THEN service > 0
      WHEN 'note' THEN note > 0 WHEN 'clear' THEN stop_use + service + note = 0 WHEN 'silent' THEN silent
      ELSE coalesce(cells, pack, thermal, charging, braking, drive, "remote link", data) IS NULL END
