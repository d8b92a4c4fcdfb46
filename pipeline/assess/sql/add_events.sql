-- add_events: events of new sessions.
-- In:    incoming_events, registered: the columns of events, data as a list of key and value
INSERT INTO events BY NAME SELECT * REPLACE (map_from_entries(data) AS data) FROM incoming_events
