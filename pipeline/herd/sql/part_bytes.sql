-- part_bytes: how large each part was as its logs came in.
-- In:   parts, logs
-- Out:  bytes
-- Key:  none; a row a part
SELECT sum(l.part_bytes)::BIGINT AS bytes FROM parts p JOIN logs l USING (log) GROUP BY p.part;
