-- serials_anew: the logs of which write_serials_anew.sql writes a serial.
-- In:    log_serials, logs, the table `written(vehicle, component, digits, serial)`
-- Out:   log.   Key: log
SELECT DISTINCT s.log
FROM log_serials s JOIN logs l USING (log)
JOIN written w ON w.vehicle = l.vehicle AND w.component = s.component AND w.digits = s.serial
