-- night_notes: what the scans of a night did beside new logs.
-- In:    night_notes, nights; $scan = the scan that told the night.   Out: note, in the order written
SELECT m.note FROM night_notes m JOIN nights n USING (scan) WHERE n.by_scan = $scan ORDER BY m.rowid
