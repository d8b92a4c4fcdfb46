-- scores: one vehicle's scores.  In: $vehicle.  Out: the scores rows.  Key: subsystem.
SELECT * FROM scores WHERE vehicle = $vehicle;
