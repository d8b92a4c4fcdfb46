-- logs_waiting: logs in quarantine for one reason.
-- In:   quarantine; $reason
-- Out:  path, detail, by path
SELECT path, detail FROM quarantine WHERE reason = $reason ORDER BY path;
