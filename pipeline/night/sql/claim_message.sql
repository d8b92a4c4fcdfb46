-- claim_message: a message is about to go out: the first row of its night and address, or one more try.
-- In:   messages; $by_scan, $target, $now
-- Out:  nothing
INSERT INTO messages (by_scan, target, state, tries, last_t, detail)
VALUES ($by_scan, $target, 'sending', 1, $now, '')
ON CONFLICT (by_scan, target) DO UPDATE SET state = 'sending', tries = tries + 1, last_t = excluded.last_t;
