-- herd_before: of the other vehicles of one profile on which a rule ever found something: how many got their first
-- stop-use finding (of any rule) in the same scan or a later one. Counts only.
-- In: $profile, $vehicle, $rule.  Out: others, stopped.  Key: one row.
WITH told AS (
    SELECT c.vehicle, min(s.started_t) AS told_t FROM finding_log c JOIN scans s USING (scan)
    JOIN vehicles v USING (vehicle)
    WHERE v.profile = $profile AND c.vehicle <> $vehicle AND c.rule = $rule AND c.change <> 'gone' GROUP BY c.vehicle
), stops AS (
    SELECT c.vehicle, min(s.started_t) AS stop_t FROM finding_log c JOIN scans s USING (scan)
    WHERE c.severity = 'stop-use' AND c.change <> 'gone' GROUP BY c.vehicle
)
SELECT count(*) AS others, count(*) FILTER (stop_t >= told_t) AS stopped FROM told LEFT JOIN stops USING (vehicle);
