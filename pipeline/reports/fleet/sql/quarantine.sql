-- quarantine: logs that could not be taken, the newest try first.  In: -.  Out: the quarantine rows.  Key: log.
SELECT * FROM quarantine ORDER BY last_t DESC, name;
