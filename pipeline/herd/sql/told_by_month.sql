-- told_by_month: on how many vehicles a rule newly told a service or stop-use finding, month by month.
-- In:   finding_log, scans
-- Out:  rule, month (DATE, its first day), vehicles
-- Key:  (rule, month)
SELECT f.rule, CAST(date_trunc('month', coalesce(f.first_t, s.started_t)) AS DATE) AS month,
       count(DISTINCT f.vehicle) AS vehicles
FROM finding_log f JOIN scans s USING (scan) WHERE f.change = 'new' AND f.severity <> 'note' GROUP BY ALL ORDER BY ALL;
