-- back_in_use: rides that follow work on the vehicle: a bench session, or a changed pack, controller or firmware.
-- In:   sessions, installs
-- Out:  vehicle, ride_t (start of the first ride after the work), what (in words)
-- Key:  (vehicle, ride_t); only the newest ride of this sort for each vehicle
WITH work AS (
    SELECT vehicle, end_t AS t, 'a bench session' AS what FROM sessions WHERE kind = 'bench'
    UNION ALL
    SELECT vehicle, from_t, 'another ' || replace(component, '_', ' ') || ' (' || serial || ')'
    FROM (SELECT *, row_number() OVER (PARTITION BY vehicle, component ORDER BY from_t) AS nth FROM installs)
    WHERE nth > 1
), rides AS (
    SELECT w.vehicle, w.what, min(s.start_t) AS ride_t
    FROM work w JOIN sessions s ON s.vehicle = w.vehicle AND s.kind = 'ride' AND s.end_t > w.t
    GROUP BY w.vehicle, w.what, w.t
)
SELECT vehicle, ride_t, string_agg(DISTINCT what, ' and ' ORDER BY what) AS what
FROM rides GROUP BY vehicle, ride_t
QUALIFY row_number() OVER (PARTITION BY vehicle ORDER BY ride_t DESC) = 1
ORDER BY vehicle;
