-- removals_done: forgets removals that concern no file any more.
-- In:    record_files, record_removed; $keyed: tables whose rows are removed by key (ledger_removals_done.sql)
-- Out:   nothing
DELETE FROM record_removed WHERE id < (
    SELECT coalesce(min(id), 9223372036854775807) FROM record_files WHERE kind NOT IN (SELECT unnest($keyed)))
