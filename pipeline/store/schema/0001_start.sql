-- The catalogue as first laid down. Only Herdbook writes it; people read the published copy, fleet.duckdb.
-- Times are UTC (TIMESTAMP, microseconds). Keys are natural or content hashes, so that the same logs give the same rows.

CREATE TABLE logs (                      -- the ledger: one row a log ever taken in
    log           VARCHAR PRIMARY KEY,   -- SHA-256 of its bytes, hex
    name          VARCHAR NOT NULL,      -- file name as first received
    path          VARCHAR NOT NULL,      -- where it was last seen
    size_bytes    BIGINT NOT NULL,
    format        VARCHAR NOT NULL,
    status        VARCHAR NOT NULL,      -- whole | partial
    received_t    TIMESTAMP NOT NULL,
    vehicle       VARCHAR NOT NULL,
    identity_by   VARCHAR NOT NULL,      -- sidecar | path | bus
    profile       VARCHAR NOT NULL,
    profile_hash  VARCHAR NOT NULL,
    network_hash  VARCHAR NOT NULL,      -- SHA-256 over the DBC files used
    clock         VARCHAR NOT NULL,      -- utc | sidecar | file name
    clock_notes   VARCHAR[] NOT NULL,    -- resets, jumps, overlaps: in words
    start_t       TIMESTAMP NOT NULL,
    end_t         TIMESTAMP NOT NULL,
    frames        BIGINT NOT NULL,
    frames_known  BIGINT NOT NULL,       -- matched by the network
    frames_error  BIGINT NOT NULL,
    frames_remote BIGINT NOT NULL,
    lost_bytes    BIGINT NOT NULL,       -- bytes of the file that could not be read
    part          VARCHAR NOT NULL,      -- relative to the lake
    part_hash     VARCHAR NOT NULL,
    part_bytes    BIGINT NOT NULL
);
CREATE TABLE log_faults (                -- what was lost or wrong in a log, counted
    log VARCHAR NOT NULL, kind VARCHAR NOT NULL, message VARCHAR NOT NULL, count BIGINT NOT NULL,
    first_offset BIGINT, detail VARCHAR NOT NULL
);
CREATE TABLE log_messages (              -- per log and message: cadence and integrity
    log VARCHAR NOT NULL, message VARCHAR NOT NULL, channel VARCHAR NOT NULL, frames BIGINT NOT NULL,
    start_t TIMESTAMP NOT NULL, end_t TIMESTAMP NOT NULL, cycle_ms DOUBLE, median_ms DOUBLE, p99_ms DOUBLE,
    missed BIGINT, counter_gaps BIGINT, counter_repeats BIGINT, checksum_failures BIGINT
);
CREATE TABLE quarantine (
    log VARCHAR PRIMARY KEY, name VARCHAR NOT NULL, path VARCHAR NOT NULL, size_bytes BIGINT NOT NULL,
    reason VARCHAR NOT NULL, detail VARCHAR NOT NULL, advice VARCHAR NOT NULL,
    first_t TIMESTAMP NOT NULL, last_t TIMESTAMP NOT NULL, tries BIGINT NOT NULL
);
CREATE TABLE vehicles (
    vehicle VARCHAR PRIMARY KEY, profile VARCHAR NOT NULL, batch VARCHAR, built DATE, in_service DATE,
    in_service_by VARCHAR, zone VARCHAR, first_t TIMESTAMP, last_t TIMESTAMP
);
CREATE TABLE installs (                  -- which pack, controller, firmware and hardware sat in which vehicle
    vehicle VARCHAR NOT NULL, component VARCHAR NOT NULL,  -- pack | controller | pack_firmware | ...
    serial VARCHAR NOT NULL, from_t TIMESTAMP NOT NULL, to_t TIMESTAMP NOT NULL,  -- first and last time seen
    known_by VARCHAR NOT NULL
);
CREATE TABLE sessions (
    vehicle VARCHAR NOT NULL, start_t TIMESTAMP NOT NULL, end_t TIMESTAMP NOT NULL, kind VARCHAR NOT NULL,
    coverage DOUBLE NOT NULL, logs VARCHAR[] NOT NULL, rule_set VARCHAR NOT NULL,
    PRIMARY KEY (vehicle, start_t)
);
CREATE TABLE metrics (
    vehicle VARCHAR NOT NULL, start_t TIMESTAMP NOT NULL,  -- of the session
    name VARCHAR NOT NULL, item VARCHAR NOT NULL, value DOUBLE NOT NULL, unit VARCHAR NOT NULL,
    se DOUBLE, n BIGINT NOT NULL, coverage DOUBLE NOT NULL
);
CREATE TABLE events (
    vehicle VARCHAR NOT NULL, session_start_t TIMESTAMP NOT NULL, kind VARCHAR NOT NULL, item VARCHAR NOT NULL,
    start_t TIMESTAMP NOT NULL, end_t TIMESTAMP NOT NULL, data MAP(VARCHAR, DOUBLE) NOT NULL
);
CREATE TABLE findings (                  -- as they stand now; a pure function of logs, profile and rule set
    finding VARCHAR PRIMARY KEY,         -- hash of vehicle, rule, item
    vehicle VARCHAR NOT NULL, rule VARCHAR NOT NULL, title VARCHAR NOT NULL, subsystem VARCHAR NOT NULL,
    severity VARCHAR NOT NULL, item VARCHAR NOT NULL, statement VARCHAR NOT NULL,
    measured DOUBLE NOT NULL, "limit" DOUBLE NOT NULL, unit VARCHAR NOT NULL, se DOUBLE,
    confidence DOUBLE NOT NULL, persistence DOUBLE NOT NULL, count BIGINT NOT NULL, duration_s DOUBLE NOT NULL,
    first_t TIMESTAMP NOT NULL, last_t TIMESTAMP NOT NULL,
    windows STRUCT(start_t TIMESTAMP, end_t TIMESTAMP)[] NOT NULL, signals VARCHAR[] NOT NULL,
    not_separable VARCHAR NOT NULL, meaning VARCHAR NOT NULL, causes VARCHAR[] NOT NULL, bench VARCHAR[] NOT NULL,
    cautions VARCHAR[] NOT NULL, share DOUBLE NOT NULL, rule_set VARCHAR NOT NULL
);
CREATE TABLE not_assessed (vehicle VARCHAR NOT NULL, rule VARCHAR NOT NULL, subsystem VARCHAR NOT NULL, reason VARCHAR NOT NULL);
CREATE TABLE scores (                    -- score is NULL when not assessed
    vehicle VARCHAR NOT NULL, subsystem VARCHAR NOT NULL, score DOUBLE, rules_judged BIGINT NOT NULL,
    rules_total BIGINT NOT NULL, reason VARCHAR NOT NULL, rule_set VARCHAR NOT NULL, PRIMARY KEY (vehicle, subsystem)
);
CREATE TABLE scans (
    scan VARCHAR PRIMARY KEY, started_t TIMESTAMP NOT NULL, ended_t TIMESTAMP, logs_new BIGINT, logs_known BIGINT,
    quarantined BIGINT, vehicles BIGINT, rule_set VARCHAR, state VARCHAR NOT NULL  -- running | complete | failed
);
CREATE TABLE finding_log (               -- what each scan changed: the base of the change list and of "known on that date"
    scan VARCHAR NOT NULL, vehicle VARCHAR NOT NULL, rule VARCHAR NOT NULL, item VARCHAR NOT NULL,
    change VARCHAR NOT NULL,             -- new | worse | better | gone
    severity VARCHAR NOT NULL, severity_before VARCHAR, measured DOUBLE, unit VARCHAR, statement VARCHAR NOT NULL
);
CREATE TABLE rule_sets (rule_set VARCHAR PRIMARY KEY, made_t TIMESTAMP NOT NULL, rules JSON NOT NULL, version VARCHAR NOT NULL);
CREATE TABLE reference (                 -- fleet figures that rules compare with; refitted only on request
    profile VARCHAR NOT NULL, name VARCHAR NOT NULL, item VARCHAR NOT NULL, value DOUBLE NOT NULL, spread DOUBLE NOT NULL,
    unit VARCHAR NOT NULL, n BIGINT NOT NULL
);
