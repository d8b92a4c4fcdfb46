-- tell_scans: every scan that no night has told yet, also one that was killed, is told by this one.
-- In:   scans, nights; $scan = the scan that tells them, $as_of = the newest record of any vehicle
-- Out:  rows in nights (scan, by_scan, as_of)
INSERT INTO nights SELECT scan, $scan, $as_of FROM scans WHERE scan NOT IN (SELECT scan FROM nights);
