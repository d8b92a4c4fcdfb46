-- record_end: where a vehicle's dated record ends.  In: $vehicle.  Out: end_us (us since 1970, NULL: none).  Key: one row.
SELECT max(epoch_us(s.end_t)) AS end_us FROM log_spans s JOIN logs USING (log) WHERE vehicle = $vehicle AND s.dated;
