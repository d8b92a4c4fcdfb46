-- forget_judged: vehicles of which no log is their own any more.
-- In:    incoming_judged(vehicle, profile), registered
DELETE FROM judged WHERE vehicle IN (SELECT vehicle FROM incoming_judged WHERE profile = '')
