-- score_log: changes of scores in the order they were entered; those of a scan that was killed count from the next one on.
-- In:   score_log, scans; $vehicle (NULL: all)
-- Out:  vehicle, subsystem, score, told_by (the complete scan from which on it stood)
-- Key:  (vehicle, subsystem, told_by) but for killed scans; oldest first
SELECT l.vehicle, l.subsystem, l.score,
       (SELECT min(s.scan) FROM scans s WHERE s.state = 'complete' AND s.scan >= l.scan) AS told_by
FROM score_log l WHERE ($vehicle IS NULL OR l.vehicle = $vehicle) AND told_by IS NOT NULL ORDER BY l.rowid;
