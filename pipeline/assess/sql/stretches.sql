-- stretches: what sessions were made from, and under which fingerprint.
-- In:    stretches; $vehicles, $changed (microseconds UTC, in the order of $vehicles)
-- Out:   vehicle, start_us, end_us (microseconds UTC, end excluded), fingerprint
SELECT vehicle, epoch_us(start_t) AS start_us, epoch_us(end_t) AS end_us, fingerprint
FROM stretches JOIN (SELECT unnest($vehicles::VARCHAR[]) AS vehicle, unnest($changed::BIGINT[]) AS changed) USING (vehicle)
WHERE start_t >= make_timestamp(changed)
