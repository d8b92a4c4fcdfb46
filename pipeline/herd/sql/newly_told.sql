-- newly_told: when a rule newly found something that calls for service, or for no more use.
-- In:   finding_log, scans
-- Out:  vehicle, rule, t (first evidence, else the scan that told it)
-- Key:  (vehicle, rule, item, scan); several items of one vehicle and day are several rows
SELECT f.vehicle, f.rule, coalesce(f.first_t, s.started_t) AS t
FROM finding_log f JOIN scans s USING (scan) WHERE f.change = 'new' AND f.severity <> 'note' ORDER BY ALL;
