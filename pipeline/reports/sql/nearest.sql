-- nearest: the vehicles whose names are most like a given one.  In: $vehicle.  Out: vehicle.  Key: vehicle.
SELECT vehicle FROM vehicles ORDER BY jaro_winkler_similarity(vehicle, $vehicle) DESC, vehicle LIMIT 3;
