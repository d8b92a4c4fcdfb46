-- history_basis: what a vehicle's history rests on: its logs with their parts, its sessions, what stands against it.
-- In:   $vehicle.
-- Out:  kind (log | session | finding), start_t, end_t, words, sha256 (of a log; '' else), part (of the lake; '' else).
-- Key:  (kind, start_t, words, sha256).
SELECT 'log' AS kind, l.start_t, l.end_t, l.name AS words, l.log AS sha256, coalesce(p.part, '') AS part
FROM logs l LEFT JOIN parts p USING (log) WHERE l.vehicle = $vehicle
UNION ALL
SELECT 'session', start_t, end_t, kind, '', '' FROM sessions WHERE vehicle = $vehicle
UNION ALL
SELECT 'finding', first_t, last_t, severity || ': ' || title || CASE WHEN item = '' THEN '' ELSE ', ' || item END, '', ''
FROM findings_now WHERE vehicle = $vehicle
ORDER BY ALL
