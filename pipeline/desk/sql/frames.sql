-- frames: how many frames of messages lie in logs, to know before reading how much there is.
-- In:   $logs (hashes), $messages (names).  Out: log, message, frames (of all channels).  Key: (log, message).
SELECT log, message, sum(frames)::BIGINT AS frames FROM log_messages
WHERE log IN (SELECT unnest($logs)) AND message IN (SELECT unnest($messages)) GROUP BY log, message
