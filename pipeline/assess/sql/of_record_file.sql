-- of_record_file: whose rows a file of the record may hold, and how much of it cannot be measured again.
-- In:    record_files, stretches, sessions, parts; $id
-- Out:   one row: vehicles [vehicle], lost (sessions with a log whose rows have expired from the lake)
WITH span AS (SELECT from_t, to_t FROM record_files WHERE id = $id),
within AS (SELECT s.* FROM stretches s, span WHERE s.start_t <= span.to_t AND s.end_t > span.from_t),
old AS (SELECT s.vehicle, s.start_t, s.logs FROM sessions s, span WHERE s.start_t BETWEEN span.from_t AND span.to_t)
SELECT (SELECT coalesce(list(DISTINCT vehicle ORDER BY vehicle), []) FROM within) AS vehicles,
       (SELECT count(*) FROM old WHERE list_has_any(logs, (SELECT list(log) FROM logs ANTI JOIN parts USING (log)))) AS lost
