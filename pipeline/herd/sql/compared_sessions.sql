-- compared_sessions: what a vehicle had to do in a stretch of time, by kind of session.
-- In:   sessions, metrics; $vehicle, $from_t and $to_t (TIMESTAMP UTC, or NULL where the stretch is open)
-- Out:  kind, sessions, hours, km (NULL where nothing was ridden), air_c (mean air or coldest cell temperature, or NULL),
--       first_t, last_t (start of the first and last session)
-- Key:  kind
WITH of_it AS (
    SELECT kind, start_t, end_t FROM sessions WHERE vehicle = $vehicle
      AND start_t >= coalesce($from_t, TIMESTAMP '0001-01-01') AND start_t < coalesce($to_t, TIMESTAMP '9999-01-01')
), told AS (
    SELECT start_t, max(value) FILTER (name = 'distance_km') AS km,
           coalesce(max(value) FILTER (name = 'ambient_c'), max(value) FILTER (name = 'cell_temp_min_c')) AS air_c
    FROM metrics WHERE vehicle = $vehicle AND name IN ('distance_km', 'ambient_c', 'cell_temp_min_c') GROUP BY start_t
)
SELECT kind, count(*) AS sessions, sum(epoch(end_t - start_t)) / 3600 AS hours, sum(km) AS km, avg(air_c) AS air_c,
       min(start_t) AS first_t, max(start_t) AS last_t
FROM of_it LEFT JOIN told USING (start_t) GROUP BY kind ORDER BY kind;
