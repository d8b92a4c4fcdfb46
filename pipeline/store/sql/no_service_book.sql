-- no_service_book: stands in for the service book in a copy that was published before there was one: every stop-use
-- finding that stands is open, and nobody has said anything about it.
-- In: findings.  Out: the columns of stop_use_matters.  Key: (vehicle, rule, item).
CREATE OR REPLACE TEMP VIEW stop_use_matters AS
SELECT vehicle, rule, item, title, statement, first_t AS first_told_t, first_t AS since_t, last_t, true AS standing, true AS open,
       false AS again, 'nobody' AS state, CAST(NULL AS INTEGER) AS entry, CAST(NULL AS VARCHAR) AS kind,
       CAST(NULL AS TIMESTAMP) AS entry_t, CAST(NULL AS VARCHAR) AS zone, CAST(NULL AS VARCHAR) AS made_by,
       CAST(NULL AS VARCHAR) AS said
FROM findings WHERE severity = 'stop-use';
