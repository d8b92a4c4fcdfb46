-- newest_scan: the newest complete scan that had ended by $as_of (NULL: ever).  In: $as_of.  Out: one scans row or none.
SELECT * FROM scans WHERE state = 'complete' AND ($as_of::TIMESTAMP IS NULL OR ended_t <= $as_of)
ORDER BY ended_t DESC NULLS LAST, scan LIMIT 1;
