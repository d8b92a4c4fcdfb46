-- What lets a record be corrected: by what a vehicle was judged, what a night did about it, and what people said of logs.
-- Times are UTC (TIMESTAMP, microseconds).

CREATE TABLE judged (                    -- by what each vehicle was last judged; another profile or rule set: again
    vehicle VARCHAR PRIMARY KEY, profile VARCHAR NOT NULL,
    profile_means VARCHAR NOT NULL,      -- SHA-256 of all that a verdict takes from the profile, comments left out
    rule_set VARCHAR NOT NULL
);
CREATE TABLE night_notes (               -- what a scan did beside new logs, one sentence each, for its change list
    scan VARCHAR NOT NULL, note VARCHAR NOT NULL
);
CREATE TABLE corrections (               -- what a person said of a log; the newest of a log holds, none is deleted
    correction BIGINT PRIMARY KEY,       -- a running number
    log VARCHAR NOT NULL, name VARCHAR NOT NULL,     -- SHA-256 of its bytes; its file name
    from_vehicle VARCHAR NOT NULL,       -- whose it was taken for
    to_vehicle VARCHAR,                  -- whose it is; NULL: nobody's, it is forgotten
    start_t TIMESTAMP NOT NULL, end_t TIMESTAMP NOT NULL,  -- of the log
    made_t TIMESTAMP NOT NULL, made_by VARCHAR NOT NULL, why VARCHAR NOT NULL
);
CREATE TABLE master_data (               -- facts of vehicles from the list that herdbook.toml names (vehicles = ...)
    vehicle VARCHAR NOT NULL, fact VARCHAR NOT NULL, value VARCHAR NOT NULL, PRIMARY KEY (vehicle, fact)
);
ALTER TABLE vehicles ADD COLUMN customer_ref VARCHAR;   -- the customer's own name of it
