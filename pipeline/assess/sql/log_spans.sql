-- log_spans: stretches of each log without a long silence whose clock is believable.
-- In:    log_spans, logs; $vehicles
-- Out:   vehicle, log, start_us, end_us (microseconds UTC), in order of log and time
SELECT l.vehicle, s.log, epoch_us(s.start_t) AS start_us, epoch_us(s.end_t) AS end_us
FROM log_spans s JOIN logs l USING (log)
WHERE l.vehicle IN (SELECT unnest($vehicles::VARCHAR[])) AND s.dated
ORDER BY s.log, start_us, end_us
