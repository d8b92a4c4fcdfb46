-- answer_tickets: vehicles are not marked any more, unless they were marked again since their assessment was planned.
-- In:    incoming_judged(vehicle, ticket), registered
DELETE FROM touched USING incoming_judged j WHERE touched.vehicle = j.vehicle AND touched.ticket = j.ticket
