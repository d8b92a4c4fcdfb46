-- What is in quarantine for a reason that may pass by itself is tried again by the first scan from this time on.
ALTER TABLE quarantine ADD COLUMN again_t TIMESTAMP;   -- NULL: only when the file or its sidecar changes, or on request
