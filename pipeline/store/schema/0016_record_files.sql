-- The record in files: rows that were moved out of metrics, events and stretch_messages (pipeline/store/settle.py).
CREATE SEQUENCE record_ids;              -- of files and removals alike: who came after whom
CREATE TABLE record_files (
    id BIGINT PRIMARY KEY, kind VARCHAR NOT NULL,  -- kind: the table whose rows they are
    file VARCHAR NOT NULL, hash VARCHAR NOT NULL,  -- relative to the store; SHA-256 of the file
    rows BIGINT NOT NULL, bytes BIGINT NOT NULL, tier INTEGER NOT NULL,  -- tier: how often its rows were merged
    from_t TIMESTAMP NOT NULL, to_t TIMESTAMP NOT NULL                   -- first and last moment in it
);
CREATE TABLE record_removed (            -- rows of these stretches are not to be read from files with a smaller id
    id BIGINT NOT NULL, vehicle VARCHAR NOT NULL, a TIMESTAMP NOT NULL, b TIMESTAMP NOT NULL
);
CREATE TABLE record_retired (file VARCHAR PRIMARY KEY, retired_t TIMESTAMP NOT NULL);  -- merged: kept for old readers
