-- buses: how full each wire of a vehicle was, over all its logs.
-- In:    log_buses, logs, $vehicle.  Out: one row a channel and bit rate: logs, frames, mean loads (each log by its
--        length) and the fullest clock second with its log; loads are shares of time, null where the rate is unknown.
-- Key:   channel, bit_rate.
SELECT b.channel, b.bit_rate, count(*) AS logs, sum(b.frames)::BIGINT AS frames,
       sum(b.mean_load * seconds) / sum(seconds) FILTER (b.mean_load IS NOT NULL) AS mean_load,
       sum(b.mean_most * seconds) / sum(seconds) FILTER (b.mean_most IS NOT NULL) AS mean_most,
       max(b.peak_load) AS peak_load, max(b.peak_most) AS peak_most,
       arg_max(b.peak_t, b.peak_most) AS peak_t, arg_max(l.name, b.peak_most) AS peak_log
FROM log_buses b
JOIN (SELECT *, greatest(1e-6, epoch(end_t - start_t)) AS seconds FROM logs) l USING (log)
WHERE l.vehicle = $vehicle
GROUP BY ALL
ORDER BY b.channel, b.bit_rate
