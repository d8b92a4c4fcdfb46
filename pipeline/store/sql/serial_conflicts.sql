-- serial_conflicts: the same component in two vehicles at the same time: a cloned or unset serial, or a wrong identity.
-- In:    installs.   Out: a view: component, serial, vehicle, other_vehicle, from_t, to_t (when both claim it).
-- Key:   (component, serial, vehicle, other_vehicle, from_t).   Versions of firmware and hardware are no serials.
CREATE VIEW serial_conflicts AS
SELECT a.component, a.serial, a.vehicle, b.vehicle AS other_vehicle,
       greatest(a.from_t, b.from_t) AS from_t, least(a.to_t, b.to_t) AS to_t
FROM installs a JOIN installs b
  ON a.component = b.component AND a.serial = b.serial AND a.vehicle < b.vehicle
 AND a.from_t <= b.to_t AND b.from_t <= a.to_t
WHERE a.component IN ('pack', 'controller')
ORDER BY ALL
