-- stated: which logs' sidecars said a fact about the vehicle, as far as received by $as_of.
-- In: $vehicle, $as_of (NULL: all).  Out: fact, logs (VARCHAR[]).  Key: fact.
SELECT f.fact, list(f.log ORDER BY l.start_t, f.log) AS logs FROM facts_of_logs f JOIN logs l USING (log)
WHERE f.vehicle = $vehicle AND l.vehicle = $vehicle AND ($as_of::TIMESTAMP IS NULL OR l.received_t <= $as_of) GROUP BY f.fact;
