-- Files of the record by shard: of vehicles whose name hashes to these first digits; '' holds any vehicle
-- (pipeline/store/shards.py).
ALTER TABLE record_files ADD COLUMN shard VARCHAR DEFAULT '';
