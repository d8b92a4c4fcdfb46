-- due_again: what is in quarantine and is to be tried again by itself by now: a log from a time that this computer's
--            clock had not reached, or one that could not be opened.
-- In:    quarantine, $now (microseconds UTC).   Out: path.
SELECT path FROM quarantine WHERE again_t <= make_timestamp($now)
