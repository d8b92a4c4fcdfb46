-- remove_from_files: what files of the record hold of stretches that are gone is not read any more.
-- In:    gone(vehicle, a, b); record_files, record_removed; $number: rows in files with a smaller id; NULL: a new one
-- Note:  a new number stands between the files that there are and those to come.
INSERT INTO record_removed
SELECT coalesce($number::BIGINT, (SELECT nextval('record_ids'))) AS id, vehicle, a, b FROM gone g
WHERE EXISTS (FROM record_files f WHERE f.from_t < g.b AND f.to_t >= g.a)
