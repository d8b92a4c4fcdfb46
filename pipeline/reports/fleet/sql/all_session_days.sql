-- all_session_days: UTC days on which each vehicle with an entry in the service book has sessions, by kind; the newest 400.
-- In:   sessions, service_book
-- Out:  vehicle, kind, days (list of TIMESTAMP, midnight UTC, oldest first)
-- Key:  (vehicle, kind)
WITH of_day AS (
    SELECT DISTINCT vehicle, kind, CAST(date_trunc('day', start_t) AS TIMESTAMP) AS day FROM sessions
    WHERE vehicle IN (SELECT vehicle FROM service_book)
), newest AS (
    SELECT *, row_number() OVER (PARTITION BY vehicle, kind ORDER BY day DESC) AS place FROM of_day
)
SELECT vehicle, kind, list(day ORDER BY day) AS days FROM newest WHERE place <= 400
GROUP BY vehicle, kind ORDER BY vehicle, CASE kind WHEN 'ride' THEN 0 WHEN 'charge' THEN 1 ELSE 2 END, kind;
