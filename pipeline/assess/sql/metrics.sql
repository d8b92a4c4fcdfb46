-- metrics: those of the sessions that rules look at.
-- In:    metrics, sessions, of the catalogue alone (files: old_rows.py); $vehicles, and from when on each is judged: $since (microseconds UTC, as $vehicles);
--        $left_out: names that no rule reads
-- Out:   vehicle, kind (of the session), start_t, end_t (of the session), name, item, value, unit, se, n, coverage
--        No order.
WITH judged AS (SELECT unnest($vehicles::VARCHAR[]) AS vehicle, unnest($since::BIGINT[]) AS since)
SELECT vehicle, s.kind, m.start_t, s.end_t, m.name, m.item, m.value, m.unit, m.se, m.n, m.coverage
FROM metrics m JOIN sessions s USING (vehicle, start_t) JOIN judged USING (vehicle)
WHERE m.start_t >= make_timestamp(since) AND NOT list_contains($left_out::VARCHAR[], m.name)
