-- corrections: what people said of logs.
-- In:    corrections.   Out: its columns, the newest first.   Key: correction
SELECT * FROM corrections ORDER BY correction DESC
