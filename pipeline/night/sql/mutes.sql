-- mutes: every mute ever made, the newest first.
-- In:   mutes
-- Out:  mute, vehicle, rule, item, severity, made_t, made_by, why, until_t, lifted_t, lifted_by, lifted_why
-- Key:  mute
SELECT mute, vehicle, rule, item, severity, made_t, made_by, why, until_t, lifted_t, lifted_by, lifted_why
FROM mutes ORDER BY mute DESC;
