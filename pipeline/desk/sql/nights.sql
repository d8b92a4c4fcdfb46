-- nights: closed nights, the newest first.  In: -.  Out: scan, started_t.  Key: scan.
SELECT s.scan, s.started_t FROM scans s JOIN (SELECT DISTINCT by_scan FROM nights) n ON n.by_scan = s.scan
WHERE s.state = 'complete' ORDER BY s.started_t DESC LIMIT 400
