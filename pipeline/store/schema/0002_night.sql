-- What the night adds: which scans one night covers, what became of the vehicles, and which messages went out.

CREATE TABLE nights (                    -- one row a scan: the completed scan in whose change list it is told
    scan    VARCHAR PRIMARY KEY,         -- a scan that was killed is told by the next one that completes
    by_scan VARCHAR NOT NULL,
    as_of   TIMESTAMP NOT NULL           -- the fleet's clock then: newest record of any vehicle, never in the future
);
CREATE TABLE fleet_log (                 -- changes of a vehicle as such; changes of findings are in finding_log
    scan    VARCHAR NOT NULL, vehicle VARCHAR NOT NULL,
    change  VARCHAR NOT NULL,            -- first seen | silent | back | not assessed (since_t: start of the scan)
    since_t TIMESTAMP NOT NULL,          -- first seen: newest record then known; silent: last record; back: the ride
    reason  VARCHAR NOT NULL,
    PRIMARY KEY (vehicle, change, since_t)
);
CREATE TABLE messages (                  -- one message a night and address; the address itself is not kept
    by_scan VARCHAR NOT NULL, target VARCHAR NOT NULL,  -- SHA-256 of the address, first 16 hex digits
    state   VARCHAR NOT NULL,            -- sending | sent | failed (then the next try is no repeat)
    tries   BIGINT NOT NULL, last_t TIMESTAMP NOT NULL, detail VARCHAR NOT NULL,
    PRIMARY KEY (by_scan, target)
);
