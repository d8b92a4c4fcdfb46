-- profile_doubts: what logs say against profiles, as it stands.
-- In:    contact_checks, contacts
-- Out:   profile, verdict (contradicted, doubtful), reason, found, advice, roles, since (scan that found it first)
-- Key:   (profile, check, item); contradictions first
SELECT profile, verdict, reason, found, advice, roles, since FROM contact_checks
WHERE verdict IN ('contradicted', 'doubtful')
ORDER BY verdict, profile, "check", item
