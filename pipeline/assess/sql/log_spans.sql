-- log_spans: stretches of each log without a long silence whose clock is believable.
-- In:    log_spans, logs; $vehicles, and from when on each may have changed: $changed (microseconds UTC, as $vehicles)
-- Out:   vehicle, log, start_us, end_us (microseconds UTC), in order of log and time
SELECT l.vehicle, s.log, epoch_us(s.start_t) AS start_us, epoch_us(s.end_t) AS end_us
FROM log_spans s JOIN (
    SELECT log, vehicle, changed
    FROM logs JOIN (SELECT unnest($vehicles::VARCHAR[]) AS vehicle, unnest($changed::BIGINT[]) AS changed) USING (vehicle)
    WHERE end_t >= make_timestamp(changed)
) l USING (log)
WHERE s.dated AND s.end_t >= make_timestamp(l.changed)
ORDER BY s.log, start_us, end_us
