-- Acceptance: units held against a maker's test plan, and what they were at birth. Rows are added and never changed or
-- deleted. Times are UTC (TIMESTAMP, microseconds).

CREATE TABLE acceptances (
    acceptance   VARCHAR PRIMARY KEY,    -- SHA-256 over logs, readings, plan, profile, line and who: the same again is one
    vehicle      VARCHAR NOT NULL,
    verdict      VARCHAR NOT NULL,       -- passed | failed | not decided
    plan         VARCHAR NOT NULL, plan_version VARCHAR NOT NULL, plan_hash VARCHAR NOT NULL,
    profile      VARCHAR NOT NULL, profile_hash VARCHAR NOT NULL,
    pack         VARCHAR NOT NULL, controller VARCHAR NOT NULL,  -- serials by the bus; '' where none was seen
    line         VARCHAR NOT NULL,       -- production line or bench; '' where nobody said
    who          VARCHAR NOT NULL,       -- who tested; '' where nobody said
    day          DATE NOT NULL,          -- on which it was tested, in the vehicle's zone
    from_t       TIMESTAMP NOT NULL, to_t TIMESTAMP NOT NULL,    -- of its logs
    logs         VARCHAR[] NOT NULL,     -- SHA-256 of each
    entered_t    TIMESTAMP NOT NULL,
    seal         VARCHAR NOT NULL,       -- of its certificate
    document     VARCHAR NOT NULL        -- the certificate's record, as JSON
);
CREATE TABLE acceptance_checks (         -- one row for every value that was held against a limit, or could not be
    acceptance   VARCHAR NOT NULL, no BIGINT NOT NULL, step VARCHAR NOT NULL, measured VARCHAR NOT NULL, item VARCHAR NOT NULL,
    value        DOUBLE, se DOUBLE, unit VARCHAR NOT NULL, low DOUBLE, high DOUBLE,
    accept_low   DOUBLE, accept_high DOUBLE,                     -- limits less the guard band
    conforms     DOUBLE,                 -- probability that the value lies within its limits
    verdict      VARCHAR NOT NULL,       -- passed | failed | not decided
    reason       VARCHAR NOT NULL        -- why it was not decided; '' else
);
CREATE TABLE birth_figures (             -- what the test measured, limit or no limit; names as in acceptance/figures.py
    acceptance   VARCHAR NOT NULL, figure VARCHAR NOT NULL, item VARCHAR NOT NULL,  -- item: '7' for group 7, 'left', ''
    value        DOUBLE NOT NULL, unit VARCHAR NOT NULL, se DOUBLE,
    n            BIGINT NOT NULL, step VARCHAR NOT NULL, from_t TIMESTAMP NOT NULL, to_t TIMESTAMP NOT NULL
);

CREATE VIEW figures_tested AS            -- every figure of every test; logs that were judged twice count once, as judged last
WITH tests AS (
    FROM acceptances
    QUALIFY row_number() OVER (PARTITION BY vehicle, logs ORDER BY entered_t DESC, acceptance DESC) = 1
)
SELECT a.vehicle, b.figure, b.item, b.value, b.unit, b.se, b.n, b.step, b.from_t, b.to_t, a.day, a.line, a.who, a.verdict,
       a.plan, a.plan_version, a.profile, a.pack, a.controller, a.logs, a.acceptance, a.entered_t
FROM tests a JOIN birth_figures b USING (acceptance);

CREATE VIEW figures_at_birth AS          -- the yardstick: of each figure the first test that passed, else the first of all
FROM figures_tested
QUALIFY row_number() OVER (
    PARTITION BY vehicle, figure, item ORDER BY verdict <> 'passed', from_t, entered_t, acceptance) = 1;
