-- causes: findings by vehicles affected, the widest first.  In: -.
-- Out: title, subsystem, vehicles, stop_use (vehicles for which it is stop-use).  Key: (title, subsystem).
SELECT title, subsystem, count(DISTINCT vehicle) AS vehicles,
       count(DISTINCT vehicle) FILTER (severity = 'stop-use') AS stop_use
FROM findings_now GROUP BY title, subsystem ORDER BY vehicles DESC, title LIMIT 15;
