-- stretch_messages: cadence and integrity of one vehicle's messages by stretch, as rules count them.  In: $vehicle.
-- Out: stretch_messages rows without vehicle.  Key: (stretch_t, message).
SELECT * EXCLUDE (vehicle) FROM stretch_messages WHERE vehicle = $vehicle ORDER BY start_t, message;
