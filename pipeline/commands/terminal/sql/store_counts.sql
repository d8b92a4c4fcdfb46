-- store_counts: what is in the store, in one row.
-- In:    the published catalogue
-- Out:   vehicles, logs, partial, frames, overlapping, hours, first_t, last_t, part_bytes, sessions, metrics, findings,
--        quarantined, last_scan.  hours: time in which a vehicle was logged, once however many logs cover it.
--        overlapping: logs that overlap an earlier one of their vehicle, so that the same frames may lie in both
WITH beside AS (
    SELECT *, max(end_t) OVER (PARTITION BY vehicle ORDER BY start_t, log
                               ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING) AS before_t
    FROM logs
)
SELECT (SELECT count(*) FROM vehicles) AS vehicles, count(*) AS logs, count(*) FILTER (status = 'partial') AS partial,
       coalesce(sum(frames), 0)::BIGINT AS frames, count(*) FILTER (start_t <= before_t) AS overlapping,
       coalesce(sum(greatest(0, epoch(end_t - greatest(start_t, coalesce(before_t, start_t))))), 0) / 3600 AS hours,
       min(start_t) AS first_t, max(end_t) AS last_t, coalesce(sum(part_bytes), 0)::BIGINT AS part_bytes,
       (SELECT count(*) FROM sessions) AS sessions, (SELECT count(*) FROM metrics) AS metrics,
       (SELECT count(*) FROM findings) AS findings, (SELECT count(*) FROM quarantine) AS quarantined,
       (SELECT max(ended_t) FROM scans WHERE state = 'complete') AS last_scan
FROM beside;
