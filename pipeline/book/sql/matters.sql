-- matters: stop-use findings that scans ever told, and what people did about each.
-- In:   stop_use_matters; $vehicle (NULL for every vehicle)
-- Out:  its columns
-- Key:  (vehicle, rule, item)
SELECT * FROM stop_use_matters WHERE $vehicle IS NULL OR vehicle = $vehicle ORDER BY vehicle, rule, item;
