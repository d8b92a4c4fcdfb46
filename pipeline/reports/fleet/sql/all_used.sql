-- all_used: sessions by vehicle and kind.  In: -.  Out: vehicle, kind, sessions, seconds, last_t.  Key: (vehicle, kind).
SELECT vehicle, kind, count(*) AS sessions, sum(epoch(end_t - start_t)) AS seconds, max(end_t) AS last_t
FROM sessions GROUP BY vehicle, kind ORDER BY kind;
