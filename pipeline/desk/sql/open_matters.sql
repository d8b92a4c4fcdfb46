-- open_matters: stop-use findings that are open, and the last word of people on each.
-- In: stop_use_matters.  Out: vehicle, rule, item, title, statement, since_t, state, made_by, entry_t, said.
-- Key: (vehicle, rule, item).
SELECT vehicle, rule, item, title, statement, since_t, state, made_by, entry_t, said
FROM stop_use_matters WHERE open ORDER BY since_t, vehicle, rule, item
