-- buses_since: how full each bus was in the logs received since $start.
-- In:    log_buses, logs, $start (TIMESTAMP, UTC).  Out: one row a log and channel, loads as shares of time or null.
-- Key:   log, channel.
SELECT l.name, l.vehicle, b.* FROM log_buses b JOIN logs l USING (log)
WHERE l.received_t >= $start ORDER BY l.name, b.channel
