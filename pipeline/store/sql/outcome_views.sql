-- outcome_views: the rules held against what people found, as `herdbook herd outcomes` does.
-- In:    finding_log, scans, service_book_now, vehicles.   Out: two views:
--        rule_outcomes: rule, told (findings that scans ever told), confirmed, refuted, open, share_right (of those decided; NULL:
--          none), low, high (its exact 95 % ends: C. Clopper and E. Pearson, Biometrika 26 (1934) 404, by halving in 50 steps),
--          warned_days (median from the first telling to the first complaint about it; NULL: none)
--        complaints_foreseen: entry, vehicle, from_t, said, logged (the vehicle has a log), foreseen (a service or stop-use
--          finding recorded in the year before it)
-- Key:   rule; entry.   The last inspection or repair that names a finding decides; a repair confirms.
CREATE VIEW rule_outcomes AS
WITH RECURSIVE told AS (
    SELECT f.vehicle, f.rule, f.item, min(s.started_t) AS first_told_t
    FROM finding_log f JOIN scans s USING (scan) WHERE f.change <> 'gone' GROUP BY ALL
), about AS (
    SELECT t.*, b.entry, b.from_t, b.kind,
           CASE WHEN b.kind = 'repair' THEN 'confirmed' WHEN b.kind = 'inspection' AND b.outcome IN ('confirmed', 'refuted') THEN b.outcome END
               AS word
    FROM told t LEFT JOIN service_book_now b ON b.vehicle = t.vehicle AND b.rule = t.rule AND b.item IN ('', t.item)
), decided AS (
    SELECT vehicle, rule, item, arg_max(word, (from_t, entry)) FILTER (word IS NOT NULL) AS word,
           min(epoch(from_t - first_told_t)) FILTER (kind = 'complaint' AND from_t > first_told_t) / 86400 AS warned_days
    FROM about GROUP BY ALL
), counted AS (
    SELECT rule, count(*) AS told, count(*) FILTER (word = 'confirmed') AS confirmed, count(*) FILTER (word = 'refuted') AS refuted,
           count(*) FILTER (word IS NULL) AS open, median(warned_days) AS warned_days
    FROM decided GROUP BY rule
), ends AS (  -- of which counts a lower end is needed: of those right, and of those wrong for the upper end
    SELECT confirmed AS k, confirmed + refuted AS n FROM counted UNION SELECT refuted, confirmed + refuted FROM counted
), halving AS (
    SELECT k, n, 0.0::DOUBLE AS low, 1.0::DOUBLE AS high, 0 AS step FROM ends
    UNION ALL
    SELECT k, n, CASE WHEN tail < 0.025 THEN (low + high) / 2 ELSE low END, CASE WHEN tail < 0.025 THEN high ELSE (low + high) / 2 END, step + 1
    FROM (SELECT *, list_sum([exp(lgamma(n + 1) - lgamma(j + 1) - lgamma(n - j + 1) + j * ln((low + high) / 2)
                                  + (n - j) * ln(1 - (low + high) / 2)) FOR j IN range(k, n + 1)]) AS tail
          FROM halving WHERE step < 50 AND k > 0)
), lower_end AS (
    SELECT k, n, CASE WHEN k = 0 THEN 0.0 ELSE low END AS low FROM halving WHERE k = 0 OR step = 50
)
SELECT c.rule, c.told, c.confirmed, c.refuted, c.open, c.confirmed / nullif(c.confirmed + c.refuted, 0) AS share_right,
       CASE WHEN c.confirmed + c.refuted > 0 THEN a.low END AS low, CASE WHEN c.confirmed + c.refuted > 0 THEN 1 - b.low END AS high,
       c.warned_days
FROM counted c JOIN lower_end a ON a.k = c.confirmed AND a.n = c.confirmed + c.refuted
JOIN lower_end b ON b.k = c.refuted AND b.n = c.confirmed + c.refuted
ORDER BY c.refuted DESC, c.confirmed DESC, c.told DESC, c.rule;
CREATE VIEW complaints_foreseen AS
WITH grave AS (
    SELECT f.vehicle, coalesce(min(f.first_t), min(s.started_t)) AS t FROM finding_log f JOIN scans s USING (scan)
    WHERE f.change <> 'gone' GROUP BY f.vehicle, f.rule, f.item HAVING bool_or(f.severity IN ('service', 'stop-use'))
)
SELECT b.entry, b.vehicle, b.from_t, b.said, EXISTS (FROM vehicles v WHERE v.vehicle = b.vehicle) AS logged,
       EXISTS (FROM grave g WHERE g.vehicle = b.vehicle AND g.t < b.to_t AND g.t >= b.to_t - INTERVAL 365 DAY) AS foreseen
FROM service_book_now b WHERE b.kind = 'complaint' ORDER BY b.from_t, b.entry;
