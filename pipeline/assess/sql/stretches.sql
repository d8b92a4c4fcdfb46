-- stretches: what sessions were made from, and under which fingerprint.
-- In:    stretches; $vehicles
-- Out:   vehicle, start_us, end_us (microseconds UTC, end excluded), fingerprint
SELECT vehicle, epoch_us(start_t) AS start_us, epoch_us(end_t) AS end_us, fingerprint
FROM stretches WHERE vehicle IN (SELECT unnest($vehicles::VARCHAR[]))
