-- fleet_days: the days (UTC) on which any vehicle left a record.
-- In:   logs; $newest = the newest record that counts
-- Out:  day DATE, newest first; as many as the habit of a fleet is read from
-- Key:  day
SELECT DISTINCT CAST(start_t AS DATE) AS day FROM logs WHERE end_t <= $newest ORDER BY day DESC LIMIT 60;
