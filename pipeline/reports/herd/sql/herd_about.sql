-- herd_about: how large the record is.
-- In:   vehicles, service_book_now
-- Out:  vehicles, first_t, last_t (of the record), entries (of the service book that hold)
-- Key:  one row
SELECT count(*) AS vehicles, min(first_t) AS first_t, max(last_t) AS last_t, (SELECT count(*) FROM service_book_now) AS entries
FROM vehicles;
