-- note_not_assessed: a vehicle whose record changed and that a scan could not assess.
-- In:   scan, vehicle, 'not assessed', why, scan, in this order
-- Out:  a row of fleet_log, since the start of the scan
-- Key:  (vehicle, change, since_t)
INSERT INTO fleet_log
SELECT ?, ?, ?, s.started_t, ? FROM scans s WHERE s.scan = ?
ON CONFLICT (vehicle, change, since_t) DO UPDATE SET scan = excluded.scan, reason = excluded.reason;
