-- settle_message: what became of a message.
-- In:   messages; $by_scan, $target, $state, $detail, $now
-- Out:  nothing
UPDATE messages SET state = $state, detail = $detail, last_t = $now WHERE by_scan = $by_scan AND target = $target;
