-- not_assessed: what could not be judged on one vehicle.  In: $vehicle.  Out: the not_assessed rows.  Key: rule.
SELECT * FROM not_assessed WHERE vehicle = $vehicle ORDER BY subsystem, rule;
