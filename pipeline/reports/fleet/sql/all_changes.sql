-- all_changes: what scans changed, each vehicle's newest 60 first.  In: -.  Out: finding_log rows with started_t.
SELECT c.*, s.started_t FROM finding_log c JOIN scans s USING (scan)
QUALIFY row_number() OVER (PARTITION BY c.vehicle ORDER BY s.started_t DESC, c.rule, c.item) <= 60
ORDER BY s.started_t DESC, c.rule, c.item;
