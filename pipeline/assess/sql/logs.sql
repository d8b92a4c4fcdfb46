-- logs: every log of the vehicles from when on they may have changed, with the part that holds its rows now and the time that is not to be used.
-- In:    logs, parts, log_doubts; $vehicles, $changed (microseconds UTC, in the order of $vehicles)
-- Out:   vehicle, log, part ('' once its rows expired), profile, start_us, end_us (microseconds UTC), doubts (list of
--        a, b: start and end, microseconds; NULL: none), profile_hash, shift, bench, own_clock (absolute time of its own),
--        part_hash ('' when not known)
-- Key:   log; in order of time
WITH mine AS (
    SELECT logs.*
    FROM logs JOIN (SELECT unnest($vehicles::VARCHAR[]) AS vehicle, unnest($changed::BIGINT[]) AS changed) USING (vehicle)
    WHERE end_t >= make_timestamp(changed)
), doubted AS (
    SELECT log, list({'a': epoch_us(start_t), 'b': epoch_us(end_t)} ORDER BY start_t) AS doubts FROM log_doubts GROUP BY log
)
SELECT l.vehicle, l.log, coalesce(p.part, '') AS part, l.profile, epoch_us(l.start_t) AS start_us,
       epoch_us(l.end_t) AS end_us, d.doubts, l.profile_hash, l.clock_shift_us AS shift, l.bench,
       l.clock = 'utc' AS own_clock, coalesce(p.hash, '') AS part_hash
FROM mine l LEFT JOIN parts p USING (log) LEFT JOIN doubted d USING (log)
ORDER BY l.start_t, l.log
