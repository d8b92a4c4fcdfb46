-- lake_columns: every column of the lake's views.
-- In:   information_schema
-- Out:  full_name (view.column), name
-- Key:  full_name
SELECT table_schema || '.' || table_name || '.' || column_name AS full_name, column_name AS name
FROM information_schema.columns WHERE table_schema <> 'main' AND NOT starts_with(table_name, '_') ORDER BY full_name;
