-- where_roles: in which view and column each role of a profile lies.
-- In: $profile, $roles.  Out: role, item, view, signal, scale, offset, unit.  Key: (role, item).
SELECT role, item, "view", signal, scale, "offset", unit FROM roles
WHERE profile = $profile AND role IN (SELECT unnest($roles)) ORDER BY role, try_cast(item AS INTEGER), item
