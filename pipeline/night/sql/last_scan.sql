-- last_scan: when the newest scan began, by its number and not by its time: a clock may have been set back since.
-- In:   scans
-- Out:  started_t, at most one row
SELECT started_t FROM scans ORDER BY try_cast(split_part(scan, ' ', 1) AS BIGINT) DESC NULLS LAST LIMIT 1;
