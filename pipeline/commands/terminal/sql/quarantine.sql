-- quarantine: logs that could not be used, newest first.
-- In:    quarantine of the published catalogue
-- Out:   name, folder (that it lay in, its last two names), reason, detail, advice, tries, last_t, path, log
SELECT name, concat_ws('/', nullif(split_part(path, '/', -3), ''), split_part(path, '/', -2)) AS folder,
       reason, detail, advice, tries, last_t, path, log
FROM quarantine ORDER BY last_t DESC, name;
