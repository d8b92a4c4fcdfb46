-- reference: the fleet's frozen figures for one profile, as rules compare with them.
-- In: $profile.  Out: name, item, value, spread, unit, n.  Key: (name, item).
SELECT name, item, value, spread, unit, n FROM reference WHERE profile = $profile ORDER BY ALL;
