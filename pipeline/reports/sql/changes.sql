-- changes: what each scan changed for one vehicle, oldest first.  In: $vehicle, $as_of (NULL: all).
-- Out: finding_log rows with started_t and ended_t of the scan.
SELECT c.*, s.started_t, s.ended_t, s.rule_set FROM finding_log c JOIN scans s USING (scan)
WHERE c.vehicle = $vehicle AND ($as_of::TIMESTAMP IS NULL OR coalesce(s.ended_t, s.started_t) <= $as_of)
ORDER BY s.started_t, c.rule, c.item;
