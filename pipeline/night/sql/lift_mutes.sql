-- lift_mutes: end mutes before their day; they stay on record.
-- In:   mutes; $mutes (numbers), $now, $by, $why
-- Out:  nothing
UPDATE mutes SET lifted_t = $now, lifted_by = $by, lifted_why = $why WHERE mute IN (SELECT unnest($mutes));
