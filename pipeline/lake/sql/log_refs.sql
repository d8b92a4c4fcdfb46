-- log_refs: the logs of a vehicle that touch a stretch of time, and which of their time is doubtful.
-- In:    logs, parts, log_doubts, $vehicle, $start, $end (microseconds UTC, end excluded).
-- Out:   log, part and hash ('' once its rows expired), profile, start and end (microseconds UTC), doubts [(start, end)].
-- Key:   log; in order of time and hash.
SELECT l.log, coalesce(p.part, ''), l.profile, epoch_us(l.start_t), epoch_us(l.end_t),
       (SELECT list((epoch_us(d.start_t), epoch_us(d.end_t)) ORDER BY d.start_t) FROM log_doubts d WHERE d.log = l.log),
       coalesce(p.hash, '')
FROM logs l LEFT JOIN parts p USING (log)
WHERE l.vehicle = $vehicle AND l.start_t < make_timestamp($end) AND l.end_t >= make_timestamp($start)
ORDER BY l.start_t, l.log
