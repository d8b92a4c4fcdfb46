-- How scores went: a row when a scan changed a score by half a point or more, or whether it is assessed at all.
CREATE TABLE score_log (
    scan VARCHAR NOT NULL, vehicle VARCHAR NOT NULL, subsystem VARCHAR NOT NULL,
    score DOUBLE                           -- from this scan on; NULL: not assessed
);
-- Where a scan's time went; the step publish is noted after publication, so the published copy knows it a scan later.
CREATE TABLE scan_steps (
    scan VARCHAR NOT NULL, step VARCHAR NOT NULL,  -- take | assess | publish
    seconds DOUBLE NOT NULL, PRIMARY KEY (scan, step)
);
