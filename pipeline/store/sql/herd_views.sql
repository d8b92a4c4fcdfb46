-- herd_views: what questions about all vehicles begin with: how much each was used, and how long each part sat where.
-- In:    vehicles, metrics, service_book_now.   Out: two views:
--        vehicle_use: vehicle, profile, batch, site, age_days, km, cycles, ageing_hours (at 25 degC), sessions; on record
--        part_lives: vehicle, part, serial, batch, supplier, from_t, to_t (NULL: it sits there still), days (so far), failed
-- Key:   vehicle; (vehicle, part, from_t).   A part said to be sound when taken out did not fail; one without a word did.
CREATE VIEW vehicle_use AS
WITH used AS (
    SELECT vehicle, sum(value) FILTER (name = 'distance_km') AS km, sum(value) FILTER (name = 'pack_cycles') AS cycles,
           sum(value) FILTER (name = 'pack_age_hours_25c') AS ageing_hours, count(DISTINCT start_t) AS sessions
    FROM metrics WHERE isfinite(value) GROUP BY vehicle
)
SELECT v.vehicle, v.profile, v.batch, v.customer_ref AS site,
       date_diff('day', coalesce(v.in_service, v.built, CAST(v.first_t AS DATE)), CAST(v.last_t AS DATE)) AS age_days,
       coalesce(u.km, 0) AS km, coalesce(u.cycles, 0) AS cycles, u.ageing_hours, coalesce(u.sessions, 0) AS sessions
FROM vehicles v LEFT JOIN used u USING (vehicle);
CREATE VIEW part_lives AS
WITH moved AS (
    SELECT *, lead(from_t) OVER seat AS next_t, lead(kind) OVER seat AS next_kind, lead(outcome) OVER seat AS next_outcome
    FROM service_book_now WHERE kind IN ('fitted', 'removed')
    WINDOW seat AS (PARTITION BY vehicle, part ORDER BY from_t, kind = 'fitted', entry)
)
SELECT vehicle, part, serial, batch, supplier, from_t, next_t AS to_t,
       date_diff('day', from_t, coalesce(next_t, now()::TIMESTAMP)) AS days,
       next_t IS NOT NULL AND coalesce(next_outcome, '') <> 'sound' AS failed
FROM moved WHERE kind = 'fitted';
