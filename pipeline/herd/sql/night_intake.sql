-- night_intake: one night's logs in figures.
-- In:   logs, scans, nights, touched; $scan (that tells the night), $since, $ended: its logs were received in between
-- Out:  logs, vehicles, known (files that were in the book already), partial, lost_bytes, waiting (vehicles not assessed)
-- Key:  one row
SELECT count(*) AS logs, count(DISTINCT vehicle) AS vehicles,
       (SELECT coalesce(sum(s.logs_known), 0)::BIGINT FROM scans s JOIN nights n USING (scan)
        WHERE n.by_scan = $scan) AS known,
       count(*) FILTER (status = 'partial') AS partial, coalesce(sum(lost_bytes), 0)::BIGINT AS lost_bytes,
       (SELECT count(*) FROM touched) AS waiting
FROM logs WHERE received_t > $since AND received_t <= $ended;
