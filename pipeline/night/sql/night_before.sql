-- night_before: when the scan began that told the night before this one.
-- In:   nights, scans; $scan = the scan that tells this night
-- Out:  started_t, NULL when this is the first night; always one row
-- Note: in the order in which nights were closed: a clock may have been set back between two of them.
SELECT max(s.started_t) AS started_t
FROM nights n JOIN scans s USING (scan)
WHERE n.scan = n.by_scan AND n.rowid < (SELECT min(rowid) FROM nights WHERE by_scan = $scan);
