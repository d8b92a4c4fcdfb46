-- contact_logs: logs of a profile that are in the lake, the newest first by vehicle: nth = 1 is each vehicle's newest.
-- In:    logs, parts; $profile
-- Out:   vehicle, log, part, part_hash, start_us, end_us (microseconds UTC), known_share (of its frames), nth
-- Key:   log; in order of nth, then vehicle
SELECT l.vehicle, l.log, p.part, coalesce(p.hash, '') AS part_hash, epoch_us(l.start_t) AS start_us,
       epoch_us(l.end_t) AS end_us, l.frames_known / greatest(1, l.frames - l.frames_error - l.frames_remote) AS known_share,
       row_number() OVER (PARTITION BY l.vehicle ORDER BY l.end_t DESC, l.log) AS nth
FROM logs l JOIN parts p USING (log)
WHERE l.profile = $profile
ORDER BY nth, l.vehicle
