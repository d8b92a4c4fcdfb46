-- sessions: those that rules look at.
-- In:    sessions; $vehicles, and from when on each is judged: $since (microseconds UTC, in the order of $vehicles)
-- Out:   vehicle, kind, start_t, end_t, coverage.  No order.
WITH judged AS (SELECT unnest($vehicles::VARCHAR[]) AS vehicle, unnest($since::BIGINT[]) AS since)
SELECT vehicle, kind, start_t, end_t, coverage
FROM sessions JOIN judged USING (vehicle)
WHERE start_t >= make_timestamp(since)
