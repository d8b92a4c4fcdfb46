-- quarantine: logs that could not be used, newest first.
-- In:    quarantine of the published catalogue
-- Out:   name, reason, detail, advice, tries, last_t, path, log
SELECT name, reason, detail, advice, tries, last_t, path, log FROM quarantine ORDER BY last_t DESC, name;
