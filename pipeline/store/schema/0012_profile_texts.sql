-- By which profiles, and by which patterns of herdbook.toml, logs were last looked at: when these changed, logs that were
-- refused by them are tried again.
CREATE TABLE looked_by (
    name VARCHAR PRIMARY KEY,            -- of a profile; '' for the settings that say whose a log is
    hash VARCHAR NOT NULL                -- SHA-256 of its text and files
);
