-- measure_again: stretches of which a file of the record may hold rows are looked at anew; expired ones stay as they are.
-- In:    record_files; $id.   A fingerprint of nothing is nobody's.
UPDATE stretches SET fingerprint = ''
FROM record_files f
WHERE f.id = $id AND stretches.start_t <= f.to_t AND stretches.end_t > f.from_t
  AND starts_with(sha256(stretches.vehicle), f.shard)
