-- fleet_table: one row a vehicle with its scores and what was found, stop-use first.
-- In:    vehicles, scores, findings, logs, scans of the published catalogue
-- Out:   vehicle, profile, a column a subsystem (its score, 0 to 100, NULL = not assessed), stop_use, service, note
--        [findings], last_t, logs, age_days (of the newest record on the day of the newest scan; of the newest of
--        all where there is none; NULL = no record)
-- Key:   vehicle
WITH marks AS (
    FROM (PIVOT scores ON subsystem IN ('cells', 'pack', 'thermal', 'charging', 'braking', 'drive', 'remote link', 'data')
          USING max(score) GROUP BY vehicle)
), found AS (
    SELECT vehicle, count(*) FILTER (severity = 'stop-use') AS stop_use,
           count(*) FILTER (severity = 'service') AS service, count(*) FILTER (severity = 'note') AS note
    FROM (SELECT vehicle, severity FROM findings_now UNION ALL SELECT vehicle, 'stop-use' FROM stop_use_unlooked)
    GROUP BY vehicle
), taken AS (
    SELECT vehicle, count(*) AS logs, max(end_t) AS last_t FROM logs GROUP BY vehicle
)
SELECT v.vehicle, v.profile, marks.* EXCLUDE (vehicle), coalesce(f.stop_use, 0) AS stop_use,
       coalesce(f.service, 0) AS service, coalesce(f.note, 0) AS note, t.last_t, coalesce(t.logs, 0) AS logs,
       greatest(0, epoch(coalesce((SELECT max(started_t) FROM scans), max(t.last_t) OVER ()) - t.last_t) / 86400)
           AS age_days
FROM vehicles v LEFT JOIN marks USING (vehicle) LEFT JOIN found f USING (vehicle) LEFT JOIN taken t USING (vehicle)
ORDER BY stop_use DESC, service DESC, vehicle;
