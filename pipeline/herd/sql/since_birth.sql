-- since_birth: what each tested vehicle was at birth and is now, one row a figure: the middle of its groups, sensors or sides.
-- In:   figures_since_birth, vehicles
-- Out:  vehicle, profile, of_group (its batch, else the month in which it was built, else ''), figure, unit, at_birth, now and
--       change (medians over items; NULL: not measured since, another pack, or not comparable), item, item_birth, item_now (of the
--       item whose change is most beyond its errors; NULL: none is beyond 3.5 of them, as pipeline/bench/acceptance/since_birth.py)
-- Key:  (vehicle, figure)
WITH told AS (
    SELECT *, CASE WHEN change_se > 0 AND abs(change) > 3.5 * change_se THEN abs(change) / change_se END AS beyond FROM figures_since_birth
)
SELECT t.vehicle, v.profile, coalesce(nullif(v.batch, ''), strftime(v.built, '%Y-%m'), '') AS of_group, t.figure, any_value(t.unit) AS unit,
       median(t.at_birth) AS at_birth, median(t.now) FILTER (t.change IS NOT NULL) AS now, median(t.change) AS change,
       arg_max(t.item, t.beyond) AS item, arg_max(t.at_birth, t.beyond) AS item_birth, arg_max(t.now, t.beyond) AS item_now
FROM told t JOIN vehicles v USING (vehicle) GROUP BY t.vehicle, v.profile, v.batch, v.built, t.figure
ORDER BY v.profile, t.figure, of_group, t.vehicle;
