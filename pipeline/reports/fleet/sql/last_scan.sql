-- last_scan: the newest complete scan.  In: -.  Out: the scans row, or none.  Key: one row.
SELECT * FROM scans WHERE state = 'complete' ORDER BY started_t DESC LIMIT 1;
