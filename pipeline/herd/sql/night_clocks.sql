-- night_clocks: the night's logs whose clock was doubted.
-- In:   logs; $since, $ended: received in between
-- Out:  vehicle, name, start_t, notes (VARCHAR[])
-- Key:  (vehicle, name, start_t)
SELECT vehicle, name, start_t, clock_notes AS notes FROM logs
WHERE received_t > $since AND received_t <= $ended AND len(clock_notes) > 0 ORDER BY vehicle, start_t, name;
