-- of_record_file: whose rows a file of the record may hold, and how much of it cannot be measured again.
-- In:    record_files, stretches, sessions, parts; $id
-- Out:   one row: vehicles [vehicle], lost (sessions with a log whose rows have expired from the lake)
-- Note:  a shard is the first digits of the hash of its vehicles (pipeline/store/shards.py).
WITH file AS (SELECT from_t, to_t, shard FROM record_files WHERE id = $id),
within AS (
    SELECT s.* FROM stretches s, file
    WHERE s.start_t <= file.to_t AND s.end_t > file.from_t AND starts_with(sha256(s.vehicle), shard)
),
old AS (
    SELECT s.vehicle, s.start_t, s.logs FROM sessions s, file
    WHERE s.start_t BETWEEN file.from_t AND file.to_t AND starts_with(sha256(s.vehicle), shard)
)
SELECT (SELECT coalesce(list(DISTINCT vehicle ORDER BY vehicle), []) FROM within) AS vehicles,
       (SELECT count(*) FROM old WHERE list_has_any(logs, (SELECT list(log) FROM logs ANTI JOIN parts USING (log)))) AS lost
