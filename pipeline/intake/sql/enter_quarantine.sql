-- enter_quarantine: one log that cannot be used; a log that was tried before is counted once more.
-- In:    $log (its hash, or its path where it could not be read), $name, $path, $size_bytes, $reason, $detail, $advice,
--        $now, $again (microseconds UTC; $again NULL: not tried again by itself).   Out: a row of the table quarantine.
-- Key:   log
INSERT INTO quarantine (log, name, path, size_bytes, reason, detail, advice, first_t, last_t, tries, again_t)
VALUES ($log, $name, $path, $size_bytes, $reason, $detail, $advice, make_timestamp($now), make_timestamp($now), 1,
        make_timestamp($again))
ON CONFLICT (log) DO UPDATE SET
    name = excluded.name, path = excluded.path, reason = excluded.reason, detail = excluded.detail,
    advice = excluded.advice, last_t = excluded.last_t, tries = tries + 1, again_t = excluded.again_t
