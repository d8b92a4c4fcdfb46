-- add_mute: one more mute, numbered on.
-- In:   mutes; $vehicle, $rule, $item, $severity (as the finding stands), $made, $by, $why, $until
-- Out:  nothing
INSERT INTO mutes
SELECT coalesce(max(mute), 0) + 1, $vehicle, $rule, $item, $severity, $made, $by, $why, $until, NULL, NULL, NULL
FROM mutes;
