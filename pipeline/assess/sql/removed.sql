-- removed: stretches whose rows in files of the record are not to be read, since they were measured again.
-- In:    record_removed; $vehicles
-- Out:   id, vehicle, a, b: rows of [a, b) in files with a smaller id
SELECT id, vehicle, a, b FROM record_removed WHERE vehicle IN (SELECT unnest($vehicles::VARCHAR[]))
