-- enter_installs: which component sat in which vehicle, from when to when it was seen.
-- In:    log_serials, logs, the table `chosen(vehicle)`.
-- Out:   rows of the table installs.   Key: (vehicle, component, serial, from_t)
-- Note:  a pure function of all logs of a vehicle; a serial seen again after another one begins a new row.
INSERT INTO installs BY NAME
WITH seen AS (
    SELECT l.vehicle, s.component, s.serial, s.from_t, s.to_t
    FROM log_serials s JOIN logs l USING (log) JOIN chosen USING (vehicle)
    WHERE s.component <> 'vehicle'
), ordered AS (
    SELECT *, serial IS DISTINCT FROM lag(serial) OVER (
        PARTITION BY vehicle, component ORDER BY from_t, to_t, serial) AS changed
    FROM seen
), numbered AS (
    SELECT *, count(*) FILTER (changed) OVER (
        PARTITION BY vehicle, component ORDER BY from_t, to_t, serial) AS run
    FROM ordered
)
SELECT vehicle, component, serial, min(from_t) AS from_t, max(to_t) AS to_t, 'bus' AS known_by
FROM numbered GROUP BY vehicle, component, serial, run
ORDER BY vehicle, component, from_t, serial
