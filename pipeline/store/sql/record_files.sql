-- record_files: the files of the record.
-- In:    record_files
-- Out:   id, kind, file, hash, rows, bytes, tier
-- Key:   id, in its order
SELECT id, kind, file, hash, rows, bytes, tier FROM record_files ORDER BY id
