-- night: the newest closed night and the end of the one before.
-- In:   nights, scans
-- Out:  scan, started_t, ended_t (now when it is not noted), as_of, since_t (NULL: it is the first night)
-- Key:  one row or none
WITH told AS (
    SELECT n.scan, s.started_t, coalesce(s.ended_t, s.started_t) AS ended_t, n.as_of, n.rowid AS nth
    FROM nights n JOIN scans s ON s.scan = n.scan WHERE n.scan = n.by_scan
)
SELECT scan, started_t, ended_t, as_of, lag(ended_t) OVER (ORDER BY nth) AS since_t
FROM told ORDER BY nth DESC LIMIT 1;
