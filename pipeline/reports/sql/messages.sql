-- messages: per message of one vehicle, the frames seen, missed and damaged over all its logs.
-- In: messages_of_logs (log_messages with the vehicle, pipeline/store/record_files.py), $vehicle.
-- Out: message, channel, logs, frames, cycle_ms, median_ms, p99_ms (worst log), missed, counter_gaps, counter_repeats,
--      checksum_failures.  Key: (message, channel).
SELECT m.message, m.channel, count(*) AS logs, sum(m.frames)::BIGINT AS frames, max(m.cycle_ms) AS cycle_ms,
       median(m.median_ms) AS median_ms, max(m.p99_ms) AS p99_ms, sum(m.missed)::BIGINT AS missed,
       sum(m.counter_gaps)::BIGINT AS counter_gaps, sum(m.counter_repeats)::BIGINT AS counter_repeats,
       sum(m.checksum_failures)::BIGINT AS checksum_failures
FROM messages_of_logs m WHERE m.vehicle = $vehicle
GROUP BY m.message, m.channel ORDER BY m.message, m.channel;
