-- lost: per log of one vehicle that misses frames, how many of its cyclic messages miss any, and what they are.
-- In: $vehicle.  Out: log, name, start_t, cyclic (messages with a declared cycle), missing (of them with frames missed),
--      missed (frames), jumped (messages whose counter jumped), unbroken (VARCHAR[]: messages that miss frames while
--      their counter runs on), blind (VARCHAR[]: messages that miss frames and carry no counter).  Key: log.
SELECT l.log, l.name, l.start_t, count(*) FILTER (m.missed IS NOT NULL) AS cyclic,
       count(*) FILTER (m.missed > 0) AS missing, coalesce(sum(m.missed), 0)::BIGINT AS missed,
       list(m.message ORDER BY m.message) FILTER (m.counter_gaps > 0) AS jumped,
       list(m.message ORDER BY m.message) FILTER (m.missed > 0 AND m.counter_gaps = 0) AS unbroken,
       list(m.message ORDER BY m.message) FILTER (m.missed > 0 AND m.counter_gaps IS NULL) AS blind
FROM messages_of_logs m JOIN logs l USING (log) WHERE m.vehicle = $vehicle AND l.vehicle = $vehicle
GROUP BY l.log, l.name, l.start_t
HAVING count(*) FILTER (m.missed > 0 OR m.counter_gaps > 0) > 0 ORDER BY l.start_t, l.log;
