-- vehicle: what is known about one vehicle.  In: $vehicle.  Out: the vehicles row.  Key: vehicle.
SELECT * FROM vehicles WHERE vehicle = $vehicle;
