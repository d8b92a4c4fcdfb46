-- How full each wire was: bits on the wire over bit rate, from the frames of one log. Stuff bits are not in a log, so
-- there are two figures: without any, and with the most that the frame format allows (decoders/integrity/busload.py).

CREATE TABLE log_buses (                 -- loads are shares of time, 0 to 1; NULL (not assessed): bit rate not known
    log       VARCHAR NOT NULL, channel VARCHAR NOT NULL,
    bit_rate  BIGINT, data_bit_rate BIGINT,          -- [bit/s], of the profile or else of the DBC file
    frames    BIGINT NOT NULL,                       -- all frames, also unknown and error frames
    mean_load DOUBLE, mean_most DOUBLE,              -- over the time that the bus was awake
    peak_load DOUBLE, peak_most DOUBLE,              -- in the fullest clock second, which begins at
    peak_t    TIMESTAMP NOT NULL
);
