-- doubted_roles: roles of profiles whose meaning logs contradict, with the reason.
-- In:    contact_checks
-- Out:   profile, role, reason
-- Key:   (profile, role)
SELECT profile, role, min(reason) AS reason
FROM (SELECT profile, unnest(roles) AS role, reason FROM contact_checks WHERE verdict = 'contradicted')
GROUP BY profile, role
ORDER BY profile, role
