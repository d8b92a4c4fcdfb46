-- write_serial_anew: a vehicle's earlier logs say a serial or version in the digits from before its format was known; it
--                    is the same one, and no other part.
-- In:    log_serials, logs; $vehicle, $component, $digits, $serial (as it is written now)
-- Out:   the rows of log_serials, written as now
UPDATE log_serials SET serial = $serial
WHERE component = $component AND serial = $digits AND log IN (SELECT log FROM logs WHERE vehicle = $vehicle);
