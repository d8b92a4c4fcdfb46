-- logs_of_found: logs of the vehicles with findings.  In: -.  Out: vehicle, log, name, start_t, end_t.  Key: log.
SELECT vehicle, log, name, start_t, end_t FROM logs WHERE vehicle IN (SELECT vehicle FROM findings)
ORDER BY start_t, log;
