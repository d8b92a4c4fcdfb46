-- retire_parts: parts that hold nothing but these logs are no longer used.
-- In:    parts, $logs (hashes), $now (microseconds UTC), $why.   Out: rows of the table retired; one retired before keeps
--        its time.   Key: part
INSERT OR IGNORE INTO retired
SELECT part, make_timestamp($now), $why FROM parts
GROUP BY part HAVING bool_and(log IN (SELECT unnest($logs)))
