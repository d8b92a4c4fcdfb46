-- stretches_gone: the temporary table `gone`, of known stretches that touch a span asked for.
-- In:    asked_spans(vehicle, a, b: TIMESTAMP, end excluded), registered; stretches
-- Out:   gone(vehicle, a, b)
CREATE OR REPLACE TEMP TABLE gone AS
SELECT DISTINCT q.* FROM asked_spans q
JOIN stretches s ON s.vehicle = q.vehicle AND s.start_t < q.b AND s.end_t > q.a
