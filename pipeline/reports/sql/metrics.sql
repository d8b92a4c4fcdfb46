-- metrics: every session figure of one vehicle with the kind of its session.  In: $vehicle.
-- Out: start_t, name, item, value, unit, se, n, coverage, kind.  Key: (start_t, name, item).
SELECT m.* EXCLUDE (vehicle), s.kind FROM metrics m JOIN sessions s USING (vehicle, start_t)
WHERE m.vehicle = $vehicle ORDER BY m.start_t, m.name, m.item;
