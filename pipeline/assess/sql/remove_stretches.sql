-- remove_stretches: takes out the stretches that are gone themselves.
-- In:    gone(vehicle, a, b)
DELETE FROM stretches USING gone g WHERE stretches.vehicle = g.vehicle AND start_t = g.a AND end_t = g.b
