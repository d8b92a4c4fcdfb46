-- store_counts: what is in the store, in one row.
-- In:    the published catalogue
-- Out:   vehicles, logs, partial, frames, hours, first_t, last_t, part_bytes, sessions, metrics, findings, quarantined, last_scan
SELECT (SELECT count(*) FROM vehicles) AS vehicles, count(*) AS logs, count(*) FILTER (status = 'partial') AS partial,
       coalesce(sum(frames), 0)::BIGINT AS frames, coalesce(sum(epoch(end_t - start_t)), 0) / 3600 AS hours,
       min(start_t) AS first_t, max(end_t) AS last_t, coalesce(sum(part_bytes), 0)::BIGINT AS part_bytes,
       (SELECT count(*) FROM sessions) AS sessions, (SELECT count(*) FROM metrics) AS metrics,
       (SELECT count(*) FROM findings) AS findings, (SELECT count(*) FROM quarantine) AS quarantined,
       (SELECT max(ended_t) FROM scans WHERE state = 'complete') AS last_scan
FROM logs;
