-- frames: how many frames of messages lie in each log of a vehicle, to know before reading how much there is.
-- In:   $vehicle, $messages (names).  Out: log, message, frames (of all channels).  Key: (log, message).
SELECT m.log, m.message, sum(m.frames)::BIGINT AS frames FROM messages_of_logs m
WHERE m.vehicle = $vehicle AND m.message IN (SELECT unnest($messages)) GROUP BY m.log, m.message
