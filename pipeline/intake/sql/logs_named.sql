-- logs_named: the logs that a person may mean, in the ledger, in quarantine or forgotten.
-- In:    logs, corrections, quarantine; $text (a file name or a SHA-256), $digits (first digits of a SHA-256, '-' for none)
-- Out:   log, name, vehicle (NULL: forgotten or refused), was (whose it was; '' of a refused log), start_t, end_t (of a
--        refused log: when it was first and last tried), refused.   Key: log
WITH forgotten AS (
    SELECT log, arg_max(name, correction) AS name, arg_max(from_vehicle, correction) AS was,
           arg_max(start_t, correction) AS start_t, arg_max(end_t, correction) AS end_t
    FROM corrections WHERE log NOT IN (SELECT log FROM logs)
    GROUP BY log HAVING arg_max_null(to_vehicle, correction) IS NULL
), known AS (
    SELECT log, name, vehicle, vehicle AS was, start_t, end_t, false AS refused FROM logs
    UNION ALL SELECT log, name, NULL, was, start_t, end_t, false FROM forgotten
        WHERE log NOT IN (SELECT log FROM quarantine)
    UNION ALL SELECT log, name, NULL, '', first_t, last_t, true FROM quarantine
        WHERE log NOT IN (SELECT log FROM logs) AND regexp_full_match(log, '[0-9a-f]{64}')
)
SELECT * FROM known WHERE name = $text OR starts_with(log, $digits) ORDER BY log
