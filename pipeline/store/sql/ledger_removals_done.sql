-- ledger_removals_done: forgets removals from the ledger that concern no file any more.
-- In:    record_files, ledger_removed
-- Out:   nothing
DELETE FROM ledger_removed r
WHERE NOT EXISTS (FROM record_files f WHERE f.kind = r.kind AND f.id < r.id)
