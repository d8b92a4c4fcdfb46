-- expiring: logs in the lake that ended before a time.
-- In:    parts, logs, $before (microseconds UTC).   Out: log.   Key: log
SELECT p.log FROM parts p JOIN logs l USING (log) WHERE l.end_t < make_timestamp($before)
