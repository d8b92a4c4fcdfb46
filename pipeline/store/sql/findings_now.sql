-- findings_now: what stands against vehicles, as every page and list shows it: a stop-use finding that a repair or an
-- inspection closed is a note from then on, unless something recorded later shows it again.
-- In:   findings, stop_use_matters
-- Out:  the columns of findings, its severity as said, and closed: by the service book (BOOLEAN)
-- Key:  finding
CREATE OR REPLACE TEMP VIEW findings_now AS
SELECT f.* REPLACE (CASE WHEN f.severity = 'stop-use' AND NOT coalesce(m.open, true) THEN 'note' ELSE f.severity END AS severity),
       f.severity = 'stop-use' AND NOT coalesce(m.open, true) AS closed
FROM findings f LEFT JOIN stop_use_matters m USING (vehicle, rule, item);
CREATE OR REPLACE TEMP VIEW stop_use_unlooked AS  -- open ones that the newest scan no longer finds; unlooked: that, in words
SELECT vehicle, rule, item, statement, first_told_t, last_t,
       'The newest scan no longer finds it, and nobody has entered an inspection or a repair.' AS unlooked
FROM stop_use_matters WHERE open AND NOT standing;
