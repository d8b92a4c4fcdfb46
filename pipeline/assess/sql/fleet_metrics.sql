-- fleet_metrics: every session's metrics that a fleet reference may be fitted on, with vehicle and profile.
-- In:    metrics, sessions, vehicles; $names (metric names)
-- Out:   profile, vehicle, kind (of the session), name, item, value, unit, se
-- Key:   (vehicle, session, name, item).  Bench sessions are left out: they are no use of the fleet.
SELECT v.profile, m.vehicle, s.kind, m.name, m.item, m.value, m.unit, m.se
FROM metrics m
JOIN sessions s USING (vehicle, start_t)
JOIN vehicles v USING (vehicle)
WHERE s.kind <> 'bench' AND m.name IN (SELECT unnest($names))
ORDER BY m.vehicle, m.start_t, m.name, m.item
