-- test_on_record: what the store entered for a test.
-- In:   acceptances; $acceptance
-- Out:  document (JSON), entered_t
SELECT document, entered_t FROM acceptances WHERE acceptance = $acceptance;
