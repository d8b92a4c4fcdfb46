-- remove_of_stretches: takes out of one table what lies in stretches that are gone.
-- In:    gone(vehicle, a, b); {table} and its time {column}, filled in by the caller; $first, $last: bounds of `gone`
-- Note:  rows lie in the order of nights, so that the bounds in time spare a look at older ones.
DELETE FROM {table} USING gone g
WHERE {table}.vehicle = g.vehicle AND {table}.{column} >= g.a AND {table}.{column} < g.b
  AND {table}.{column} >= $first AND {table}.{column} < $last
