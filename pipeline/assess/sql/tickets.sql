-- tickets: which touch of each vehicle an assessment answers.
-- In:    touched; $vehicles
-- Out:   vehicle, ticket.  No row: not touched.
SELECT vehicle, ticket FROM touched WHERE vehicle IN (SELECT unnest($vehicles::VARCHAR[]))
