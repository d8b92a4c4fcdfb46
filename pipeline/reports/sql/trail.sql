-- trail: the newest sessions' values of one metric, for small lines in the register.
-- In: $metric, $last (how many sessions).  Out: vehicle, values (DOUBLE[], oldest first; of several items of a
-- session the largest).  Key: vehicle.
SELECT vehicle, list(value ORDER BY start_t) AS values FROM (
    SELECT vehicle, start_t, max(value) AS value,
           row_number() OVER (PARTITION BY vehicle ORDER BY start_t DESC) AS age
    FROM metrics WHERE name = $metric GROUP BY vehicle, start_t
) WHERE age <= $last GROUP BY vehicle;
