-- known_acceptance: a test that is in the store already.
-- In:   acceptances; $acceptance
-- Out:  document (the certificate's record, as JSON)
SELECT document FROM acceptances WHERE acceptance = $acceptance;
