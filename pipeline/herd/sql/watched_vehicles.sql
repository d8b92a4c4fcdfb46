-- watched_vehicles: every vehicle with what it may be compared by, and from when on it was used.
-- In:   vehicles, master_data
-- Out:  vehicle, type (profile; '' for one without a log), batch, site (the customer's own name of it), began (DATE: in
--       service, else built, else its first record; NULL where none is known)
-- Key:  vehicle
WITH listed AS (
    SELECT vehicle, max(value) FILTER (fact = 'built') AS built, max(value) FILTER (fact = 'in_service') AS in_service,
           max(value) FILTER (fact = 'batch') AS batch, max(value) FILTER (fact = 'customer_ref') AS site
    FROM master_data GROUP BY vehicle
)
SELECT coalesce(v.vehicle, l.vehicle) AS vehicle, coalesce(v.profile, '') AS type, coalesce(l.batch, v.batch, '') AS batch,
       coalesce(l.site, v.customer_ref, '') AS site,
       coalesce(CAST(l.in_service AS DATE), v.in_service, CAST(l.built AS DATE), v.built, CAST(v.first_t AS DATE)) AS began
FROM vehicles v FULL JOIN listed l USING (vehicle) ORDER BY vehicle;
