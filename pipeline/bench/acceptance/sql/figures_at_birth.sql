-- figures_at_birth: the yardstick of each figure of a vehicle: its first test that passed, else the first there was.
-- In:   acceptances, birth_figures; $figure, $vehicle (NULL for all), $as_of (entered by then; NULL for today)
-- Out:  the columns of BirthFigure in acceptance/birth.py
-- Key:  (vehicle, figure, item)
WITH tests AS (
    SELECT * FROM acceptances WHERE $as_of IS NULL OR entered_t <= $as_of
    QUALIFY row_number() OVER (PARTITION BY vehicle, logs ORDER BY entered_t DESC, acceptance DESC) = 1
)
SELECT a.vehicle, b.figure, b.item, b.value, b.unit, b.se, b.n, b.step, b.from_t, b.to_t, a.day, a.line, a.who, a.verdict,
       a.plan, a.plan_version, a.profile, a.pack, a.controller, a.logs, a.acceptance, a.entered_t
FROM tests a JOIN birth_figures b USING (acceptance)
WHERE ($figure IS NULL OR b.figure = $figure) AND ($vehicle IS NULL OR a.vehicle = $vehicle)
QUALIFY row_number() OVER (
    PARTITION BY a.vehicle, b.figure, b.item
    ORDER BY a.verdict <> 'passed', a.from_t, a.entered_t, a.acceptance) = 1
ORDER BY b.figure, try_cast(b.item AS INTEGER), b.item, a.vehicle;
