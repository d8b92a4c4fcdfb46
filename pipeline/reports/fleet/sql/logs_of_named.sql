-- logs_of_named: when logs of some vehicles were recorded.  In: $vehicles.  Out: vehicle, start_t, end_t.  Key: -.
SELECT vehicle, start_t, end_t FROM logs WHERE vehicle IN (SELECT unnest($vehicles)) ORDER BY start_t, log;
