-- logs_of: one vehicle's logs as the ledger has them.  In: $vehicle.  Out: the logs rows.  Key: log.
SELECT * FROM logs WHERE vehicle = $vehicle;
