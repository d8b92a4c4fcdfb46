-- work: the newest work seen on some vehicles: a bench session, or a component that another one preceded.
-- In:   sessions, installs; $vehicles VARCHAR[], $since
-- Out:  vehicle, t, what (in words)
-- Key:  vehicle
WITH work AS (
    SELECT vehicle, end_t AS t, 'a bench session' AS what FROM sessions
    WHERE kind = 'bench' AND list_contains($vehicles, vehicle)
    UNION ALL
    SELECT vehicle, from_t, 'another ' || replace(component, '_', ' ')
    FROM (SELECT *, row_number() OVER (PARTITION BY vehicle, component ORDER BY from_t) AS nth FROM installs
          WHERE list_contains($vehicles, vehicle))
    WHERE nth > 1
)
SELECT vehicle, t, what FROM work WHERE t >= $since
QUALIFY row_number() OVER (PARTITION BY vehicle ORDER BY t DESC, what) = 1 ORDER BY vehicle;
