-- doubted_roles: roles whose meaning logs contradict, of one profile.  In: $profile.  Out: role, reason.  Key: role.
SELECT role, min(reason) AS reason
FROM (SELECT unnest(roles) AS role, reason FROM contact_checks WHERE verdict = 'contradicted' AND profile = $profile)
GROUP BY role ORDER BY role;
