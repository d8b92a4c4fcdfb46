-- sessions: a vehicle's sessions whose logs had all been received by $as_of (NULL: all).
-- In: $vehicle, $as_of.  Out: sessions rows.  Key: (vehicle, start_t).
SELECT s.* FROM sessions s
WHERE s.vehicle = $vehicle AND ($as_of::TIMESTAMP IS NULL OR NOT EXISTS (
    SELECT 1 FROM logs l WHERE list_contains(s.logs, l.log) AND l.received_t > $as_of))
ORDER BY s.start_t;
