-- complete_scans: every complete scan, oldest first.
-- In:   scans
-- Out:  scan
-- Key:  scan
SELECT scan FROM scans WHERE state = 'complete' ORDER BY scan;
