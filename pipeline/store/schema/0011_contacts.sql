-- Profiles held against logs: when, on how many logs, and what came of each test (pipeline/night/contacts.py).

CREATE TABLE contacts (                  -- one row a profile: how it was last held against logs
    profile      VARCHAR PRIMARY KEY,
    profile_hash VARCHAR NOT NULL,       -- of the profile as it was then
    version      BIGINT NOT NULL,        -- of the tests
    scan         VARCHAR NOT NULL,       -- that did it
    logs_known   BIGINT NOT NULL,        -- logs of the profile in the ledger by then
    logs BIGINT NOT NULL, vehicles BIGINT NOT NULL,  -- looked at
    settled      BOOLEAN NOT NULL        -- no test is left open
);
CREATE TABLE contact_checks (            -- what the tests said; contradicted and doubtful ones are told
    profile VARCHAR NOT NULL, scan VARCHAR NOT NULL, "check" VARCHAR NOT NULL, item VARCHAR NOT NULL,
    verdict VARCHAR NOT NULL,            -- contradicted | doubtful | holds | cannot be told
    tested VARCHAR NOT NULL, found VARCHAR NOT NULL, reason VARCHAR NOT NULL, advice VARCHAR NOT NULL,
    roles VARCHAR[] NOT NULL,            -- put in doubt: rules that read them may not judge
    since VARCHAR NOT NULL               -- the scan that found this verdict first
);
