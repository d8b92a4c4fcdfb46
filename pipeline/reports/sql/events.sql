-- events: everything with a beginning and an end in one vehicle's sessions.  In: $vehicle.
-- Out: session_start_t, kind, item, start_t, end_t, keys (VARCHAR[]), numbers (DOUBLE[]).  Key: (kind, item, start_t).
SELECT session_start_t, kind, item, start_t, end_t, map_keys(data) AS keys, map_values(data) AS numbers
FROM events WHERE vehicle = $vehicle ORDER BY start_t, kind, item;
