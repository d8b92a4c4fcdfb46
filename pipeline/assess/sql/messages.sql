-- messages: counts of frames, counters and checksums by message, of the stretches that rules look at.
-- In:    stretch_messages, of the catalogue alone (files: old_rows.py); $vehicles, and from when on each is judged: $since (microseconds UTC, as $vehicles)
-- Out:   vehicle, stretch_t, message, frames, start_t, end_t, missed, counter_gaps, counter_repeats, checksum_failures,
--        in order of start_t and message
WITH judged AS (SELECT unnest($vehicles::VARCHAR[]) AS vehicle, unnest($since::BIGINT[]) AS since)
SELECT vehicle, stretch_t, message, frames, start_t, end_t, missed, counter_gaps, counter_repeats, checksum_failures
FROM stretch_messages JOIN judged USING (vehicle)
WHERE stretch_t >= make_timestamp(since)
ORDER BY start_t, message
