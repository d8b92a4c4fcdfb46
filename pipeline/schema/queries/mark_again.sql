-- mark_again: forget what stretches in a range of time were made from, so that they are measured again.
-- In:   stretches; $since, $until TIMESTAMP UTC (until excluded), $vehicles VARCHAR[] (empty: all)
-- Out:  vehicle of every stretch marked
-- Key:  none; a vehicle comes once for each of its stretches
UPDATE stretches SET fingerprint = ''
WHERE start_t < $until AND end_t >= $since AND (len($vehicles) = 0 OR vehicle IN (SELECT unnest($vehicles)))
RETURNING vehicle;
