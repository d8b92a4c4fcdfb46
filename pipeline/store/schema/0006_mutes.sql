-- Findings that a person asked not to hear about again for a while. Rows are never deleted: they are the history.
-- Times are UTC (TIMESTAMP, microseconds). A mute is in force at t when made_t <= t < until_t and it is not lifted by then.

CREATE TABLE mutes (
    mute      BIGINT PRIMARY KEY,          -- a running number
    vehicle   VARCHAR NOT NULL, rule VARCHAR NOT NULL, item VARCHAR NOT NULL,  -- one finding, never a whole rule
    severity  VARCHAR NOT NULL,            -- as it stood then (note | service): a graver one is news all the same
    made_t    TIMESTAMP NOT NULL, made_by VARCHAR NOT NULL, why VARCHAR NOT NULL,
    until_t   TIMESTAMP NOT NULL,          -- the moment from which it is heard again
    lifted_t  TIMESTAMP, lifted_by VARCHAR, lifted_why VARCHAR
);
