-- roles: where in the views each role of each profile is found. value of the role = signal * scale + offset, in unit.
-- In:    nothing.   Out: an empty table.   Key: (profile, role, item)
CREATE TABLE roles (
    profile VARCHAR, role VARCHAR, item VARCHAR, "view" VARCHAR, signal VARCHAR,
    scale DOUBLE, "offset" DOUBLE, unit VARCHAR
)
