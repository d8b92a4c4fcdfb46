-- refused_since: logs that went to quarantine, or stayed there after another try, since a moment.
-- In:   quarantine; $begun
-- Out:  name, reason
SELECT name, reason FROM quarantine WHERE last_t >= $begun ORDER BY name;
