-- By which settings the store was last scanned, so that a scan tells when they are others.
CREATE TABLE settings_used (
    setting VARCHAR PRIMARY KEY,         -- as in herdbook.toml: "zone", "[judge] judge_days"
    value   VARCHAR NOT NULL             -- as text; of addresses, and of what Herdbook does not know, only a digest
);
