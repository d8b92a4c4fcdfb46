-- all_not_assessed: what could not be judged, of all vehicles.  In: -.  Out: the not_assessed rows.  Key: (vehicle, rule).
SELECT * FROM not_assessed ORDER BY subsystem, rule;
