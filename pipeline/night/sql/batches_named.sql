-- batches_named: at most how many vehicles have a batch to their name.
-- In:   vehicles, master_data
-- Out:  one number
SELECT (SELECT count(*) FROM vehicles WHERE batch <> '')
     + (SELECT count(DISTINCT vehicle) FROM master_data WHERE fact = 'batch' AND value <> '')
