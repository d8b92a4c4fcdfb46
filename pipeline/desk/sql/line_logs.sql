-- line_logs: the logs that a line rests on.
-- In:   $vehicle, $logs (SHA-256 of each; none: all of the vehicle).
-- Out:  log, name, start_t, end_t, format, status, lost_bytes, clock, clock_notes, identity_by, profile, part ('' without).
-- Key:  log.
SELECT l.log, l.name, l.start_t, l.end_t, l.format, l.status, l.lost_bytes, l.clock, l.clock_notes, l.identity_by, l.profile,
       coalesce(p.part, '') AS part
FROM logs l LEFT JOIN parts p USING (log)
WHERE l.vehicle = $vehicle AND (len($logs) = 0 OR list_contains($logs, l.log))
ORDER BY l.start_t, l.log
