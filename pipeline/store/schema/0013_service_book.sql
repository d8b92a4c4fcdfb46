-- The service book: what people say was complained of, found, done and fitted. Entries are added and never changed or
-- deleted; a later one may correct or strike an earlier one. Times are UTC (TIMESTAMP, microseconds).

CREATE TABLE service_book (
    entry    BIGINT PRIMARY KEY,         -- a running number
    vehicle  VARCHAR NOT NULL,
    kind     VARCHAR NOT NULL,           -- as in pipeline/book/entry.py
    from_t   TIMESTAMP NOT NULL,         -- when it happened lies between these: a minute, or a day of the vehicle's zone
    to_t     TIMESTAMP NOT NULL,
    zone     VARCHAR NOT NULL,           -- in which that day is one
    part     VARCHAR NOT NULL, serial VARCHAR NOT NULL, batch VARCHAR NOT NULL, supplier VARCHAR NOT NULL,  -- '' for none
    rule     VARCHAR NOT NULL, item VARCHAR NOT NULL,  -- of the finding that it is about; '' for none, or every item
    outcome  VARCHAR NOT NULL,           -- of an inspection: confirmed | refuted | undecided; of a removal: failed | sound
    said     VARCHAR NOT NULL,           -- in the words of whoever entered it
    made_by  VARCHAR NOT NULL, made_t TIMESTAMP NOT NULL,
    source   VARCHAR NOT NULL,           -- typed, or the file's name and row
    corrects BIGINT                      -- the entry that this one takes the place of, or strikes
);
CREATE VIEW service_book_now AS          -- what holds: without what was corrected or struck later
SELECT * FROM service_book b
WHERE b.kind <> 'struck' AND NOT EXISTS (FROM service_book c WHERE c.corrects = b.entry);

CREATE VIEW stop_use_matters AS          -- every stop-use finding that a scan ever told, and what people did about it
WITH told AS (
    SELECT f.vehicle, f.rule, f.item, s.started_t AS told_t, coalesce(f.last_t, s.started_t) AS last_t, f.statement
    FROM finding_log f JOIN scans s USING (scan) WHERE f.severity = 'stop-use' AND f.change <> 'gone'
), standing AS (
    SELECT vehicle, rule, item, title, statement, last_t FROM findings WHERE severity = 'stop-use'
), known AS (
    SELECT vehicle, rule, item, min(told_t) AS first_told_t, max(last_t) AS last_t, arg_max(statement, told_t) AS statement
    FROM (FROM told UNION ALL BY NAME SELECT vehicle, rule, item, statement, last_t FROM standing) GROUP BY ALL
), about AS (                            -- entries that are about a matter; a vehicle that is scrapped closes them all
    SELECT k.vehicle, k.rule, k.item, b.entry, b.kind, b.outcome, b.from_t, b.to_t, b.zone, b.made_by, b.said,
           b.kind IN ('repair', 'scrapped') OR (b.kind = 'inspection' AND b.outcome = 'refuted') AS closes
    FROM known k JOIN service_book_now b
      ON b.vehicle = k.vehicle AND (b.kind = 'scrapped' OR (b.rule = k.rule AND b.item IN ('', k.item)))
), closed AS (
    SELECT vehicle, rule, item, max(to_t) AS closed_t FROM about WHERE closes GROUP BY ALL
), since AS (                            -- the first time it was told after its last closing
    SELECT t.vehicle, t.rule, t.item, min(t.told_t) AS since_t
    FROM told t LEFT JOIN closed c USING (vehicle, rule, item) WHERE c.closed_t IS NULL OR t.last_t > c.closed_t GROUP BY ALL
), stand AS (                            -- whether each is open, and since when
    SELECT k.vehicle, k.rule, k.item, coalesce(s.title, '') AS title, coalesce(s.statement, k.statement) AS statement,
           coalesce(k.first_told_t, k.last_t) AS first_told_t, coalesce(i.since_t, k.first_told_t, k.last_t) AS since_t,
           coalesce(s.last_t, k.last_t) AS last_t, s.vehicle IS NOT NULL AS standing, c.closed_t,
           c.closed_t IS NULL OR coalesce(s.last_t, k.last_t) > c.closed_t AS open
    FROM known k LEFT JOIN standing s USING (vehicle, rule, item) LEFT JOIN since i USING (vehicle, rule, item)
    LEFT JOIN closed c USING (vehicle, rule, item)
), newest AS (                           -- the last word of people: of a closed one what closed it, of an open one since then
    SELECT a.*, row_number() OVER (PARTITION BY a.vehicle, a.rule, a.item ORDER BY a.to_t DESC, a.entry DESC) AS nth
    FROM about a JOIN stand t USING (vehicle, rule, item)
    WHERE CASE WHEN t.open THEN NOT a.closes AND (t.closed_t IS NULL OR a.to_t > t.since_t) ELSE a.closes END
)
SELECT t.vehicle, t.rule, t.item, t.title, t.statement, t.first_told_t, t.since_t, t.last_t, t.standing, t.open,
       t.open AND t.closed_t IS NOT NULL AS again,
       CASE WHEN NOT t.open THEN 'closed' WHEN n.entry IS NULL THEN 'nobody'
            WHEN n.kind = 'inspection' THEN n.outcome ELSE n.kind END AS state,
       n.entry, n.kind, n.from_t AS entry_t, n.zone, n.made_by, n.said
FROM stand t LEFT JOIN (FROM newest WHERE nth = 1) n USING (vehicle, rule, item);
