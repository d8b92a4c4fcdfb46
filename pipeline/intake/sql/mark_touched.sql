-- mark_touched: vehicles are to be assessed, from the earliest time that any touch names; from none where one names none.
-- In:    chosen(vehicle, from_t: TIMESTAMP or NULL), registered; touched
-- Out:   touched, a row a vehicle with a new ticket
INSERT OR REPLACE INTO touched (vehicle, ticket, from_t)
SELECT c.vehicle, nextval('tickets'),
       CASE WHEN c.from_t IS NOT NULL AND (t.vehicle IS NULL OR t.from_t IS NOT NULL) THEN least(c.from_t, t.from_t) END
FROM chosen c LEFT JOIN touched t USING (vehicle)
