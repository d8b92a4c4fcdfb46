-- reference: the fleet figures that rules compare vehicles of one profile with.
-- In:    reference; $profile
-- Out:   name, item, value, spread, unit, n, in order
SELECT name, item, value, spread, unit, n FROM reference WHERE profile = $profile ORDER BY ALL
