-- score_log: changes of scores in the order they were entered; those of a scan that was killed count from the next one on.
-- In:   score_log, scans
-- Out:  vehicle, subsystem, score, told_by (the complete scan from which on it stood), started_t (of that scan)
-- Key:  (vehicle, subsystem, told_by) but for killed scans; oldest first
WITH told AS (
    SELECT l.scan, min_by(s.scan, s.scan) AS told_by, min_by(s.started_t, s.scan) AS started_t
    FROM (SELECT DISTINCT scan FROM score_log) l JOIN scans s ON s.state = 'complete' AND s.scan >= l.scan GROUP BY l.scan
)
SELECT l.vehicle, l.subsystem, l.score, t.told_by, t.started_t FROM score_log l JOIN told t USING (scan) ORDER BY l.rowid;
