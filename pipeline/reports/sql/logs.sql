-- logs: every log of one vehicle with its faults counted.  In: $vehicle, $as_of (received by then; NULL: all).
-- Out: logs rows, faults (number of faulty things counted in log_faults), fault_words.  Key: log.
SELECT l.*, coalesce(f.faults, 0)::BIGINT AS faults, coalesce(f.fault_words, []) AS fault_words
FROM logs l LEFT JOIN (
    SELECT log, sum(count) AS faults, list(DISTINCT kind || ': ' || detail ORDER BY kind || ': ' || detail) AS fault_words
    FROM log_faults GROUP BY log
) f USING (log)
WHERE l.vehicle = $vehicle AND ($as_of::TIMESTAMP IS NULL OR l.received_t <= $as_of)
ORDER BY l.start_t, l.log;
