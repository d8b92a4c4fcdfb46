-- message_state: what became of the message of one night to one address.
-- In:   messages; $by_scan, $target
-- Out:  state, at most one row
SELECT state FROM messages WHERE by_scan = $by_scan AND target = $target;
