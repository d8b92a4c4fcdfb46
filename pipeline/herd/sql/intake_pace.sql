-- intake_pace: how much came in over the last days of intake.
-- In:   logs; $days before the newest log received
-- Out:  bytes (of parts), logs, days (from the first to the last of them), all_logs (ever)
-- Key:  one row
WITH recent AS (
    SELECT * FROM logs WHERE received_t >= (SELECT max(received_t) FROM logs) - to_days($days)
)
SELECT sum(part_bytes)::DOUBLE AS bytes, count(*) AS logs, epoch(max(received_t) - min(received_t)) / 86400 AS days,
       (SELECT count(*) FROM logs) AS all_logs
FROM recent;
