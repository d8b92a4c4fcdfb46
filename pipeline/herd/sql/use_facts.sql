-- use_facts: what makes vehicles unlike: age, use, climate, with where they belong to.
-- In:   vehicles, metrics, installs, master_data
-- Out:  vehicle, profile, batch, site, firmware (the newest of the controller), '' where not known; age (days from in service,
--       built or first record to the newest record), km_a_day (on record, over the days from first to newest record),
--       ageing (hours at 25 degC that age as much, an hour on record: how warm its pack lives); NULL where not known
-- Key:  vehicle
WITH listed AS (
    SELECT vehicle, max(value) FILTER (fact = 'batch') AS batch, max(value) FILTER (fact = 'customer_ref') AS site,
           max(value) FILTER (fact = 'in_service') AS in_service, max(value) FILTER (fact = 'built') AS built
    FROM master_data GROUP BY vehicle
), used AS (
    SELECT vehicle, sum(value) FILTER (name = 'distance_km') AS km,
           sum(value) FILTER (name = 'pack_age_hours_25c') AS aged, sum(value) FILTER (name = 'pack_hours') AS hours
    FROM metrics WHERE name IN ('distance_km', 'pack_age_hours_25c', 'pack_hours') AND isfinite(value) GROUP BY vehicle
), firmware AS (
    SELECT vehicle, arg_max(serial, to_t) AS firmware FROM installs WHERE component = 'controller_firmware' GROUP BY vehicle
)
SELECT v.vehicle, v.profile, coalesce(l.batch, v.batch, '') AS batch, coalesce(l.site, v.customer_ref, '') AS site,
       coalesce(f.firmware, '') AS firmware,
       date_diff('day', coalesce(CAST(l.in_service AS DATE), v.in_service, CAST(l.built AS DATE), v.built,
                                 CAST(v.first_t AS DATE)), CAST(v.last_t AS DATE))::DOUBLE AS age,
       u.km / greatest(epoch(v.last_t - v.first_t) / 86400, 1) AS km_a_day, u.aged / nullif(u.hours, 0) AS ageing
FROM vehicles v LEFT JOIN listed l USING (vehicle) LEFT JOIN used u USING (vehicle) LEFT JOIN firmware f USING (vehicle)
ORDER BY v.vehicle;
