-- logs_named: the logs that a person may mean, in the ledger or forgotten.
-- In:    logs, corrections; $text (a file name or a SHA-256), $digits (first digits of a SHA-256, '-' for none)
-- Out:   log, name, vehicle (NULL: forgotten), was (whose it was), start_t, end_t.   Key: log
WITH forgotten AS (
    SELECT log, arg_max(name, correction) AS name, arg_max(from_vehicle, correction) AS was,
           arg_max(start_t, correction) AS start_t, arg_max(end_t, correction) AS end_t
    FROM corrections WHERE log NOT IN (SELECT log FROM logs)
    GROUP BY log HAVING arg_max_null(to_vehicle, correction) IS NULL
), known AS (
    SELECT log, name, vehicle, vehicle AS was, start_t, end_t FROM logs
    UNION ALL SELECT log, name, NULL, was, start_t, end_t FROM forgotten
)
SELECT * FROM known WHERE name = $text OR starts_with(log, $digits) ORDER BY log
