-- removals_done: forgets removals that concern no file any more.
-- In:    record_files, record_removed
-- Out:   nothing
DELETE FROM record_removed WHERE id < (SELECT coalesce(min(id), 9223372036854775807) FROM record_files)
