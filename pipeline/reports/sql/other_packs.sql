-- other_packs: what is not judged of packs side by side.  In: $profile.  Out: found, advice.  Key: none, a row at most.
SELECT found, advice FROM contact_checks WHERE "check" = 'other_packs' AND profile = $profile;
