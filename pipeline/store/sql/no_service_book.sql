-- no_service_book: stands in for the service book in a copy that was published before there was one.
-- In: -.  Out: the columns of stop_use_matters, no rows.
CREATE OR REPLACE TEMP VIEW stop_use_matters AS
SELECT '' AS vehicle, '' AS rule, '' AS item, '' AS title, '' AS statement, TIMESTAMP '1970-01-01' AS first_told_t,
       TIMESTAMP '1970-01-01' AS since_t, TIMESTAMP '1970-01-01' AS last_t, false AS standing, false AS open, false AS again,
       '' AS state, 0 AS entry, '' AS kind, TIMESTAMP '1970-01-01' AS entry_t, '' AS zone, '' AS made_by, '' AS said
WHERE false;
