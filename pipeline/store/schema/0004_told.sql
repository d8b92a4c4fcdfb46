-- What a change of a finding keeps, so that a history as of a past date can say what was known then.
-- Rows of older scans hold NULL here: those figures were not kept.

ALTER TABLE finding_log ADD COLUMN "limit" DOUBLE;
ALTER TABLE finding_log ADD COLUMN se DOUBLE;
ALTER TABLE finding_log ADD COLUMN count BIGINT;
ALTER TABLE finding_log ADD COLUMN duration_s DOUBLE;
ALTER TABLE finding_log ADD COLUMN first_t TIMESTAMP;         -- of the evidence
ALTER TABLE finding_log ADD COLUMN last_t TIMESTAMP;
ALTER TABLE finding_log ADD COLUMN not_separable VARCHAR;
