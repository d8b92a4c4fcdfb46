-- figures_since_birth: each birth figure beside the newest of its kind, made of one session alike.
-- In:   figures_at_birth, metrics, sessions, installs
-- Out:  a view: vehicle, figure, item, unit, at_birth, at_birth_se, born (day), now, now_se, now_t (start of its session),
--       change, change_se, other_pack (serial of the pack that sits in it now, where another was tested; NULL else).
-- Key:  (vehicle, figure, item)
-- Note: the same as pipeline/bench/acceptance/since_birth.py, which says more; tests hold the two to each other. change is
--       NULL for another pack's figures and for spreads near full and empty, which differ with how full the pack was.
CREATE VIEW figures_since_birth AS
WITH made(metric, figure, kind) AS (VALUES
    ('pack_capacity_ah', 'capacity_pack', 'charge'), ('cell_offset_top_ah', 'offset_top', 'charge'),
    ('cell_offset_bottom_ah', 'offset_bottom', 'charge'), ('cell_level_mv', 'level', 'ride'),
    ('spread_full_mv', 'balance_full', 'charge'), ('spread_rest_mv', 'balance_rest', 'rest'),
    ('pack_current_zero_a', 'zero_current', 'rest'), ('pack_rest_a', 'zero_current_rest', 'rest'),
    ('pack_sum_gap_v', 'zero_voltage', 'rest'), ('pack_path_mohm', 'path', 'ride'), ('coast_rolling', 'rolling', 'ride'),
    ('brake_response_s', 'brake_response', 'ride'), ('regen_ratio', 'brake_delivery', 'ride'),
    ('release_to_zero_s', 'release_to_zero', 'ride'), ('contactor_opened_loaded', 'opened_loaded', 'ride')
), births AS (
    SELECT *, max(to_t) OVER (PARTITION BY vehicle) AS tested_until FROM figures_at_birth
), later AS (                            -- what was measured after the test, of vehicles that have one
    SELECT m.vehicle, m.start_t, s.kind, m.name, m.item, m.value, m.se
    FROM metrics m JOIN sessions s USING (vehicle, start_t)
    JOIN (SELECT DISTINCT vehicle, tested_until FROM births) b ON b.vehicle = m.vehicle AND m.start_t > b.tested_until
), resistances AS (                      -- of each group at 25 degC: its own, times what that does to the median group
    SELECT c.vehicle, c.start_t, 'resistance_' || p.pulse AS figure, c.item, c.value * w.value / g.value AS value,
           c.value * w.value / g.value * sqrt((c.se / c.value) ** 2
               + greatest(0, (coalesce(w.se, 0) / w.value) ** 2 - (coalesce(g.se, 0) / g.value) ** 2)) AS se
    FROM (VALUES ('0.5s'), ('2s'), ('10s')) p(pulse)
    JOIN later c ON c.name = 'cell_dcr_' || p.pulse || '_mohm' AND c.kind = 'ride' AND c.value > 0
    JOIN later g ON g.vehicle = c.vehicle AND g.start_t = c.start_t AND g.name = 'group_dcr_' || p.pulse || '_mohm' AND g.value > 0
    JOIN later w ON w.vehicle = c.vehicle AND w.start_t = c.start_t AND w.name = 'group_dcr_' || p.pulse || '_25c_mohm' AND w.value > 0
), over_median AS (                      -- capacity by both knees of one charge
    SELECT t.vehicle, t.start_t, t.item, b.value - t.value AS value, sqrt(b.se ** 2 + t.se ** 2) AS se
    FROM later t JOIN later b USING (vehicle, start_t, item)
    WHERE t.name = 'cell_offset_top_ah' AND b.name = 'cell_offset_bottom_ah' AND t.kind = 'charge'
), found AS (
    SELECT l.vehicle, l.start_t, f.figure, l.item, l.value, l.se FROM later l JOIN made f ON f.metric = l.name AND f.kind = l.kind
    UNION ALL SELECT vehicle, start_t, 'zero_temp', item, value, se FROM later
              WHERE name = 'temp_start_offset_k' AND kind = 'ride' AND starts_with(item, 'cell ')
    UNION ALL SELECT vehicle, start_t, figure, item, value, se FROM resistances
    UNION ALL SELECT vehicle, start_t, 'capacity_over_median', item, value, se FROM over_median
    UNION ALL SELECT o.vehicle, o.start_t, 'capacity', o.item, p.value + o.value, sqrt(o.se ** 2 + p.se ** 2)
              FROM over_median o JOIN later p USING (vehicle, start_t) WHERE p.name = 'pack_capacity_ah'
), newest AS (                           -- all items of a figure from one session
    SELECT * FROM found QUALIFY start_t = max(start_t) OVER (PARTITION BY vehicle, figure)
), packs AS (
    SELECT vehicle, arg_max(serial, to_t) AS pack FROM installs WHERE component = 'pack' GROUP BY vehicle
), told AS (
    SELECT b.vehicle, b.figure, b.item, b.unit, b.value AS at_birth, b.se AS at_birth_se, b.day AS born, n.value AS now,
           n.se AS now_se, n.start_t AS now_t,
           CASE WHEN b.pack <> '' AND p.pack <> b.pack AND NOT starts_with(b.figure, 'reading ') AND b.figure NOT IN (
               'drag_no_load', 'rolling', 'brake_response', 'brake_delivery', 'release_to_zero') THEN p.pack END AS other_pack
    FROM births b LEFT JOIN newest n USING (vehicle, figure, item) LEFT JOIN packs p USING (vehicle)
)
SELECT vehicle, figure, item, unit, at_birth, at_birth_se, born, now, now_se, now_t,
       CASE WHEN other_pack IS NULL AND figure NOT IN ('balance_full', 'balance_rest') THEN now - at_birth END AS change,
       CASE WHEN other_pack IS NULL AND figure NOT IN ('balance_full', 'balance_rest')
            THEN sqrt(now_se ** 2 + at_birth_se ** 2) END AS change_se,
       other_pack
FROM told ORDER BY vehicle, figure, try_cast(item AS INTEGER), item
