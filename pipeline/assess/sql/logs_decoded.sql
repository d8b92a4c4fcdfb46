-- logs_decoded: where each log of some vehicles lay, and the part that it was decoded into.
-- In:    logs, parts; $vehicles.   Out: log, path, profile, shift (microseconds), part.   Key: log; in order of path
-- Note:  a log whose rows expired from the lake is left as it is.
SELECT log, path, profile, clock_shift_us AS shift, logs.part
FROM logs JOIN parts USING (log) WHERE vehicle IN (SELECT unnest($vehicles::VARCHAR[])) ORDER BY path
