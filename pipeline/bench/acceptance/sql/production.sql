-- production: what earlier tests measured in other units of the same profile, one value a unit, step, figure and item:
-- that of its first test which gave one.
-- In:   acceptances, acceptance_checks; $profile, $vehicle (the unit in question, left out)
-- Out:  step, measured, item, unit, value, se
-- Key:  (vehicle, step, measured, item)
SELECT c.step, c.measured, c.item, c.unit, c.value, c.se
FROM acceptances a JOIN acceptance_checks c USING (acceptance)
WHERE a.profile = $profile AND a.vehicle <> $vehicle AND c.value IS NOT NULL AND c.se > 0
QUALIFY row_number() OVER (
    PARTITION BY a.vehicle, c.step, c.measured, c.item ORDER BY a.from_t, a.entered_t, a.acceptance, c.no) = 1
ORDER BY c.step, c.measured, c.item, a.vehicle;
