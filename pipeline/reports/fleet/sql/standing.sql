-- standing: stop-use findings that are open, the newest first; also those that the newest scan no longer finds and that
-- nobody looked into.  In: -.
-- Out: vehicle, rule, title, item, statement, subsystem, first_t, last_t.  Key: vehicle, title, item.
SELECT vehicle, rule, title, item, statement, subsystem, first_t, last_t FROM findings_now WHERE severity = 'stop-use'
UNION ALL BY NAME
SELECT vehicle, rule, replace(rule, '_', ' ') AS title, item, statement || ' ' || unlooked AS statement, '' AS subsystem,
       first_told_t AS first_t, last_t
FROM stop_use_unlooked
ORDER BY last_t DESC, vehicle, rule, item;
