-- What taking logs in and assessing step by step need to remember. Times are UTC (TIMESTAMP, microseconds).

ALTER TABLE logs ADD COLUMN format_version VARCHAR DEFAULT '';
ALTER TABLE logs ADD COLUMN clock_shift_us BIGINT DEFAULT 0;  -- added to every time the log gave
ALTER TABLE logs ADD COLUMN bench BOOLEAN DEFAULT false;      -- the sidecar says: on a bench, not in use
ALTER TABLE logs ADD COLUMN zone VARCHAR DEFAULT '';

CREATE TABLE seen (                      -- files of the inbox already dealt with: unchanged ones are not read again
    path VARCHAR PRIMARY KEY, size_bytes BIGINT NOT NULL, stamp VARCHAR NOT NULL, log VARCHAR NOT NULL,
    outcome VARCHAR NOT NULL             -- taken | known | quarantined
);
CREATE TABLE log_spans (                 -- stretches of a log without a long silence; dated: the clock is believable
    log VARCHAR NOT NULL, start_t TIMESTAMP NOT NULL, end_t TIMESTAMP NOT NULL, dated BOOLEAN NOT NULL
);
CREATE TABLE log_doubts (                -- time that one log claims twice (its clock went back): kept, but not used
    log VARCHAR NOT NULL, start_t TIMESTAMP NOT NULL, end_t TIMESTAMP NOT NULL
);
CREATE TABLE log_serials (               -- what identity signals said in a log, and from when to when
    log VARCHAR NOT NULL, component VARCHAR NOT NULL, serial VARCHAR NOT NULL,
    from_t TIMESTAMP NOT NULL, to_t TIMESTAMP NOT NULL, samples BIGINT NOT NULL
);
CREATE TABLE log_facts (                 -- what a sidecar said about the vehicle
    log VARCHAR NOT NULL, fact VARCHAR NOT NULL, value VARCHAR NOT NULL
);
CREATE TABLE parts (                     -- which file of the lake holds a log's rows now; no row once they expired
    log VARCHAR PRIMARY KEY, part VARCHAR NOT NULL, hash VARCHAR NOT NULL  -- SHA-256 of the file
);
CREATE TABLE retired (                   -- parts no longer used; deleted once their grace is over
    part VARCHAR PRIMARY KEY, retired_t TIMESTAMP NOT NULL, why VARCHAR NOT NULL
);
CREATE TABLE touched (                   -- vehicles whose record may have changed since they were last assessed
    vehicle VARCHAR PRIMARY KEY, ticket BIGINT NOT NULL
);
CREATE SEQUENCE tickets;
CREATE TABLE stretches (                 -- what sessions were made from; an equal fingerprint needs no second look
    vehicle VARCHAR NOT NULL, start_t TIMESTAMP NOT NULL, end_t TIMESTAMP NOT NULL, fingerprint VARCHAR NOT NULL
);
CREATE TABLE stretch_messages (          -- cadence and integrity of messages, each frame counted once
    vehicle VARCHAR NOT NULL, stretch_t TIMESTAMP NOT NULL, message VARCHAR NOT NULL, frames BIGINT NOT NULL,
    start_t TIMESTAMP NOT NULL, end_t TIMESTAMP NOT NULL, missed BIGINT, counter_gaps BIGINT, counter_repeats BIGINT,
    checksum_failures BIGINT
);
CREATE INDEX logs_by_vehicle ON logs (vehicle);
