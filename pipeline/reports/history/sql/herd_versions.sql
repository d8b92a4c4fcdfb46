-- herd_versions: of the vehicles of one profile: by the newest version of each firmware, how many a rule found
-- something on. Counts only.
-- In: $profile, $rule.  Out: component, version, vehicles, found.  Key: (component, version).
WITH newest AS (
    SELECT i.vehicle, i.component, max_by(i.serial, i.to_t) AS version
    FROM installs i JOIN vehicles v USING (vehicle)
    WHERE v.profile = $profile AND i.component LIKE '%firmware' GROUP BY i.vehicle, i.component
)
SELECT n.component, n.version, count(*) AS vehicles,
       count(*) FILTER (EXISTS (SELECT 1 FROM findings f WHERE f.vehicle = n.vehicle AND f.rule = $rule)) AS found
FROM newest n GROUP BY n.component, n.version ORDER BY n.component, n.version;
