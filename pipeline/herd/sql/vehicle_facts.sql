-- vehicle_facts: what is known of each vehicle that could explain a difference: batch, type, zone, and how long it was seen.
-- In:   vehicles, master_data, metrics
-- Out:  vehicle, profile ('' for one without a log), batch, zone, site (the customer's own name of it), built (DATE or NULL),
--       km (on record)
-- Key:  vehicle
WITH listed AS (
    SELECT vehicle, max(value) FILTER (fact = 'built') AS built, max(value) FILTER (fact = 'zone') AS zone,
           max(value) FILTER (fact = 'batch') AS batch, max(value) FILTER (fact = 'customer_ref') AS site
    FROM master_data GROUP BY vehicle
), ridden AS (
    SELECT vehicle, sum(value) AS km FROM metrics WHERE name = 'distance_km' GROUP BY vehicle
)
SELECT coalesce(v.vehicle, l.vehicle) AS vehicle, coalesce(v.profile, '') AS profile,
       coalesce(l.batch, v.batch, '') AS batch, coalesce(l.zone, v.zone, '') AS zone,
       coalesce(l.site, v.customer_ref, '') AS site, coalesce(CAST(l.built AS DATE), v.built) AS built, coalesce(r.km, 0) AS km
FROM vehicles v FULL JOIN listed l USING (vehicle) LEFT JOIN ridden r ON r.vehicle = coalesce(v.vehicle, l.vehicle)
ORDER BY vehicle;
