-- refused_since: logs that went to quarantine, or stayed there after another try, since a moment.
-- In:   quarantine; $begun
-- Out:  name, folder (that it lay in), reason
SELECT name, split_part(path, '/', -2) AS folder, reason FROM quarantine WHERE last_t >= $begun ORDER BY name;
