-- standing: stop-use findings as they stand, the newest first.  In: -.
-- Out: vehicle, title, item, statement, subsystem, first_t, last_t.  Key: vehicle, title, item.
SELECT vehicle, title, item, statement, subsystem, first_t, last_t FROM findings_now WHERE severity = 'stop-use'
ORDER BY last_t DESC, vehicle, rule, item;
