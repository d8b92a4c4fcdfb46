-- parts: in which part each log's data lie now.  In: -.  Out: the parts rows.  Key: log.
SELECT * FROM parts;
