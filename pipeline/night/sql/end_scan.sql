-- end_scan: how a scan ended, into its row; it ended now.
-- In:   logs_new, logs_known, quarantined, vehicles, rule_set, state, scan, in this order
-- Out:  nothing
UPDATE scans
SET ended_t = now() AT TIME ZONE 'UTC', logs_new = ?, logs_known = ?, quarantined = ?, vehicles = ?, rule_set = ?,
    state = ?
WHERE scan = ?;
