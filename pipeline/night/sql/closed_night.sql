-- closed_night: one night that a scan has told, the newest or the one asked for.
-- In:   nights, scans, vehicles; $scan = the scan that told it, '' for the newest
-- Out:  scan, started_t, as_of, covers (names of the scans it tells, in order), begun_t (start of the first of them),
--       logs_new (over all of them), vehicles (known by now); no row when there is no such night
-- Key:  scan
WITH told AS (
    SELECT n.scan, s.started_t, n.as_of, n.rowid AS nth
    FROM nights n JOIN scans s ON s.scan = n.scan
    WHERE n.scan = n.by_scan AND ($scan = '' OR n.scan = $scan)
    ORDER BY nth DESC LIMIT 1
)
SELECT t.scan, t.started_t, t.as_of, list(s.scan ORDER BY s.started_t) AS covers, min(s.started_t) AS begun_t,
       coalesce(sum(s.logs_new), 0) AS logs_new, (SELECT count(*) FROM vehicles) AS vehicles
FROM told t JOIN nights n ON n.by_scan = t.scan JOIN scans s ON s.scan = n.scan
GROUP BY t.scan, t.started_t, t.as_of;
