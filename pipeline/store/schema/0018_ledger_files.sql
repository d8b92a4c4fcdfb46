-- The ledger in files: once there is much of it, what publishing would copy lies in files of the record as well
-- (pipeline/store/ledger_files.py). Its tables here stay whole; the tables unfiled_* hold what lies in no file yet, and are
-- made with the first files.
CREATE TABLE ledger_removed (            -- rows of this key are not to be read from files with a smaller id
    id BIGINT NOT NULL, kind VARCHAR NOT NULL, key VARCHAR NOT NULL   -- kind: the table; key: the log, or the path in `seen`
);
