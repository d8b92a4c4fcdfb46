-- write_serials_anew: a vehicle's earlier logs say a serial or version in the digits from before its format was known; it
--                     is the same one, and no other part.
-- In:    log_serials, logs, the table `written(vehicle, component, digits, serial)`; serial: as it is written now
-- Out:   the rows of log_serials, written as now
UPDATE log_serials SET serial = written.serial
FROM written JOIN logs ON logs.vehicle = written.vehicle
WHERE log_serials.log = logs.log AND log_serials.component = written.component AND log_serials.serial = written.digits;
