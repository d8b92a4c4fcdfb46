-- add_correction: one more word on a log.
-- In:    corrections; $log, $file, $from_vehicle, $to_vehicle (NULL: forgotten), $start_t, $end_t, $made, $by, $why
-- Out:   the new row
INSERT INTO corrections
SELECT coalesce(max(correction), 0) + 1, $log, $file, $from_vehicle, $to_vehicle, $start_t, $end_t, $made, $by, $why
FROM corrections
RETURNING *
