-- months: which parts to merge: those of one vehicle, profile and network in one month (UTC) that has long been over.
-- In:    logs, parts, $before (microseconds UTC), $months (how many months a month must be over).
-- Out:   profile, members [(log, part)] in order of time.   Key: (vehicle, profile, network, month); only where it saves a file.
SELECT l.profile, list((l.log, p.part) ORDER BY l.start_t, l.log) AS members
FROM logs l JOIN parts p USING (log)
GROUP BY l.vehicle, l.profile, l.network_hash, date_trunc('month', l.start_t)
HAVING count(DISTINCT p.part) > 1
   AND date_trunc('month', l.start_t) + to_months(CAST($months AS INTEGER) + 1) <= make_timestamp($before)
ORDER BY l.vehicle, l.profile, l.network_hash, date_trunc('month', l.start_t)
