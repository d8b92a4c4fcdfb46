-- record_files: the files of the record.
-- In:    record_files; without the column shard in a copy that an older Herdbook published
-- Out:   id, kind, file, hash, rows, bytes, tier, and shard where there is one
-- Key:   id, in its order
SELECT COLUMNS('^(id|kind|file|hash|rows|bytes|tier|shard)$') FROM record_files ORDER BY id
