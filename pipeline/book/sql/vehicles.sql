-- vehicles: whom the book may speak of, when each was built and in which zone it is.
-- In:   vehicles, master_data
-- Out:  vehicle, built (DATE or NULL), zone (VARCHAR or NULL)
-- Key:  vehicle
WITH listed AS (
    SELECT vehicle, max(value) FILTER (fact = 'built') AS built, max(value) FILTER (fact = 'zone') AS zone
    FROM master_data GROUP BY vehicle
)
SELECT coalesce(v.vehicle, l.vehicle) AS vehicle, coalesce(CAST(l.built AS DATE), v.built) AS built,
       coalesce(l.zone, v.zone) AS zone
FROM vehicles v FULL JOIN listed l USING (vehicle) ORDER BY vehicle;
