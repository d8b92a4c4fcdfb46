-- enter_vehicles: one row a vehicle, from its logs and what sidecars said.
-- In:    logs, log_facts, log_spans, master_data, the table `chosen(vehicle)`.
-- Out:   rows of the table vehicles.   Key: vehicle
-- Note:  facts that contradict each other: the one of the newest log wins, whatever the order of arrival. A zone that
--        a sidecar states wins over the profile's, and the list of vehicles over both.
INSERT INTO vehicles BY NAME
WITH mine AS (
    SELECT l.* FROM logs l JOIN chosen USING (vehicle)
), facts AS (
    SELECT m.vehicle, f.fact, arg_max(f.value, (m.start_t, m.log)) AS value
    FROM log_facts f JOIN mine m USING (log) GROUP BY m.vehicle, f.fact
), listed AS (
    SELECT m.vehicle, m.fact, m.value FROM master_data m JOIN chosen USING (vehicle)
), told AS (
    SELECT *, 'list' AS by FROM listed
    UNION ALL SELECT *, 'sidecar' FROM facts ANTI JOIN listed USING (vehicle, fact)
), dated AS (
    SELECT m.vehicle, min(s.start_t) AS first_t, max(s.end_t) AS last_t
    FROM log_spans s JOIN mine m USING (log) WHERE s.dated GROUP BY m.vehicle
)
SELECT m.vehicle, arg_max(m.profile, (m.start_t, m.log)) AS profile,
       any_value(f.value) FILTER (f.fact = 'batch') AS batch,
       CAST(any_value(f.value) FILTER (f.fact = 'built') AS DATE) AS built,
       CAST(any_value(f.value) FILTER (f.fact = 'in_service') AS DATE) AS in_service,
       any_value(f.by) FILTER (f.fact = 'in_service') AS in_service_by,
       coalesce(any_value(f.value) FILTER (f.fact = 'zone'),
                any_value(f.value) FILTER (f.fact = 'profile_zone')) AS zone,
       any_value(f.value) FILTER (f.fact = 'customer_ref') AS customer_ref,
       any_value(d.first_t) AS first_t, any_value(d.last_t) AS last_t
FROM mine m LEFT JOIN told f USING (vehicle) LEFT JOIN dated d USING (vehicle)
GROUP BY m.vehicle ORDER BY m.vehicle
