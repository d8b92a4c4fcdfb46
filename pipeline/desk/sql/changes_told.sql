-- changes_told: what a night tells, as pipeline/night/read_changes.py puts it together.
-- In:   finding_log, fleet_log, nights, scans, findings, not_assessed, mutes; $scan = the scan that told the night.
-- Out:  change, severity ('' where there is none), vehicle, title, item, reason, muted (not told, for somebody muted it).
-- Key:  (vehicle, title, item, change).
WITH night AS (
    SELECT started_t, (SELECT max(s.started_t) FROM nights n JOIN scans s USING (scan)
                       WHERE n.scan = n.by_scan AND n.rowid < (SELECT min(rowid) FROM nights WHERE by_scan = $scan)) AS before_t
    FROM scans WHERE scan = $scan
), mine AS (
    SELECT f.*, f.rowid AS nth FROM finding_log f JOIN nights n USING (scan) WHERE n.by_scan = $scan
), netted AS (
    SELECT vehicle, rule, item, first(severity_before ORDER BY nth) AS before, last(change ORDER BY nth) AS logged,
           last(severity ORDER BY nth) AS severity, last(statement ORDER BY nth) AS statement
    FROM mine GROUP BY vehicle, rule, item
), ranked AS (
    SELECT *, list_position(['note', 'service', 'stop-use'], severity) - list_position(['note', 'service', 'stop-use'], before) AS step
    FROM netted WHERE NOT (before IS NULL AND logged = 'gone')
), refused AS (
    SELECT vehicle, rule, min(reason) AS reason FROM not_assessed GROUP BY ALL
), of_findings AS (
    SELECT CASE WHEN logged = 'gone' THEN 'gone' WHEN before IS NULL THEN 'new' WHEN step > 0 THEN 'worse'
                WHEN step < 0 THEN 'better' ELSE logged END AS change,
           CASE WHEN logged = 'gone' THEN '' ELSE r.severity END AS severity, r.vehicle, r.rule,
           coalesce(f.title, r.rule) AS title, r.item,
           r.statement || CASE WHEN logged = 'gone' THEN CASE WHEN n.reason IS NULL THEN '' ELSE '; that is no repair' END
                               WHEN before IS NOT NULL AND before <> r.severity THEN ' (was ' || before || ')' ELSE '' END AS reason
    FROM ranked r LEFT JOIN findings f USING (vehicle, rule, item) LEFT JOIN refused n ON n.vehicle = r.vehicle AND n.rule = r.rule
), ends AS (
    SELECT vehicle, rule, item, severity, made_t, least(until_t, coalesce(lifted_t, until_t)) AS end_t, made_by FROM mutes
), held AS (
    SELECT vehicle, rule, item, max_by(severity, end_t) AS severity FROM ends, night
    WHERE made_t <= started_t AND started_t < end_t GROUP BY ALL
), over AS (
    SELECT vehicle, rule, item, max_by(made_by, end_t) AS made_by, max(end_t) AS end_t FROM ends, night
    WHERE before_t < end_t AND end_t <= started_t GROUP BY ALL
)
SELECT c.change, c.severity, c.vehicle, c.title, c.item, c.reason,
       coalesce(c.severity NOT IN ('', 'stop-use') AND list_position(['note', 'service', 'stop-use'], c.severity)
                <= list_position(['note', 'service', 'stop-use'], h.severity), false) AS muted
FROM of_findings c LEFT JOIN held h USING (vehicle, rule, item)
UNION ALL
SELECT 'unmuted', f.severity, f.vehicle, f.title, f.item, f.statement || ' Its mute by ' || o.made_by || ' ended on ' || strftime(o.end_t, '%Y-%m-%d') || '.', false
FROM over o JOIN findings f USING (vehicle, rule, item)
WHERE NOT EXISTS (FROM of_findings c WHERE (c.vehicle, c.rule, c.item) = (o.vehicle, o.rule, o.item))
  AND NOT EXISTS (FROM held h WHERE (h.vehicle, h.rule, h.item) = (o.vehicle, o.rule, o.item))
UNION ALL
SELECT change, '', vehicle, '', '', reason, false FROM fleet_log WHERE scan = $scan AND change <> 'not assessed'
