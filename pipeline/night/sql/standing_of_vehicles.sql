-- standing_of_vehicles: every finding that stands against some vehicles.
-- In:   findings; $vehicles
-- Out:  vehicle, rule, item, title, severity, statement
-- Key:  (vehicle, rule, item)
SELECT vehicle, rule, item, title, severity, statement FROM findings WHERE vehicle IN (SELECT unnest($vehicles));
