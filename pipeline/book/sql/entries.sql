-- entries: what the service book holds, the oldest event first.
-- In:   service_book; $vehicle (NULL for every vehicle), $as_of (entered by then; NULL for today)
-- Out:  the columns of service_book, and holds: neither corrected nor struck by then
-- Key:  entry
WITH known AS (SELECT * FROM service_book WHERE $as_of IS NULL OR made_t <= $as_of)
SELECT b.*, b.kind <> 'struck' AND NOT EXISTS (FROM known c WHERE c.corrects = b.entry) AS holds
FROM known b WHERE $vehicle IS NULL OR b.vehicle = $vehicle
ORDER BY b.from_t, b.entry;
