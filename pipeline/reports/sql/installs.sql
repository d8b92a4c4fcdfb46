-- installs: which parts and versions were seen from when to when, as far as logs received by $as_of show it.
-- In: $vehicle, $as_of (NULL: all).  Out: installs rows, from_t and to_t cut to the logs known then.
-- Key: (component, from_t).
SELECT i.vehicle, i.component, i.serial, greatest(i.from_t, min(l.start_t)) AS from_t,
       least(i.to_t, max(l.end_t)) AS to_t, i.known_by
FROM installs i JOIN logs l ON l.vehicle = i.vehicle AND l.start_t <= i.to_t AND l.end_t >= i.from_t
WHERE i.vehicle = $vehicle AND ($as_of::TIMESTAMP IS NULL OR l.received_t <= $as_of)
GROUP BY i.vehicle, i.component, i.serial, i.from_t, i.to_t, i.known_by ORDER BY i.component, i.from_t;
