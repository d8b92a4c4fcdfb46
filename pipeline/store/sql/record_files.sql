-- record_files: the files of the record.   In: record_files.   Out: columns of RecordFile.   Key: id, in its order
SELECT id, kind, file, hash, rows, bytes, tier FROM record_files ORDER BY id
