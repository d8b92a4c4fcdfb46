-- events: those of the sessions that rules look at.
-- In:    events, of the catalogue alone (files: old_rows.py); $vehicles, and from when on each is judged: $since (microseconds UTC, in the order of $vehicles);
--        $left_out: kinds that no rule reads
-- Out:   vehicle, session_start_t, kind, item, start_t, end_t, data (list of key and value).  No order.
WITH judged AS (SELECT unnest($vehicles::VARCHAR[]) AS vehicle, unnest($since::BIGINT[]) AS since)
SELECT vehicle, session_start_t, kind, item, start_t, end_t, map_entries(data) AS data
FROM events JOIN judged USING (vehicle)
WHERE session_start_t >= make_timestamp(since) AND NOT list_contains($left_out::VARCHAR[], kind)
