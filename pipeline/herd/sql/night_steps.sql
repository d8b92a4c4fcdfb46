-- night_steps: figures of each vehicle before the night and in it, its own middle of each.
-- In:   logs, sessions, metrics, vehicles; $names VARCHAR[]; $since, $ended: the night's logs were received in between
-- Out:  profile, name, unit, vehicle, before, now
-- Key:  (name, vehicle); only vehicles that have both
WITH fresh AS (
    SELECT DISTINCT s.vehicle, s.start_t FROM sessions s, unnest(s.logs) u(log) JOIN logs l ON l.log = u.log
    WHERE l.received_t > $since AND l.received_t <= $ended
), placed AS (
    SELECT m.vehicle, m.name, m.unit, m.value, f.start_t IS NOT NULL AS is_new
    FROM metrics m LEFT JOIN fresh f USING (vehicle, start_t)
    WHERE list_contains($names, m.name) AND isfinite(m.value) AND m.vehicle IN (SELECT vehicle FROM fresh)
)
SELECT v.profile, p.name, any_value(p.unit) AS unit, p.vehicle, median(p.value) FILTER (NOT p.is_new) AS before,
       median(p.value) FILTER (p.is_new) AS now
FROM placed p JOIN vehicles v USING (vehicle) GROUP BY v.profile, p.name, p.vehicle
HAVING before IS NOT NULL AND now IS NOT NULL ORDER BY v.profile, p.name, p.vehicle;
