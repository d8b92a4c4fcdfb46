-- record_end: when the newest thing of all was recorded.
-- In:   vehicles, service_book_now
-- Out:  end_t (TIMESTAMP UTC: end of the newest log, or of the day or minute of the newest entry; NULL when neither is)
-- Key:  one row
SELECT max(end_t) AS end_t
FROM (SELECT max(last_t) AS end_t FROM vehicles UNION ALL SELECT max(to_t) FROM service_book_now WHERE kind <> 'struck');
