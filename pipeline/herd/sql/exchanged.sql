-- exchanged: when a bus first named another serial number of a component than before.
-- In:   installs; $parts VARCHAR[]: components
-- Out:  vehicle, t (the newest such moment)
-- Key:  vehicle
SELECT vehicle, max(from_t) AS t
FROM (SELECT *, row_number() OVER (PARTITION BY vehicle, component ORDER BY from_t) AS nth FROM installs
      WHERE list_contains($parts, component))
WHERE nth > 1 GROUP BY vehicle;
