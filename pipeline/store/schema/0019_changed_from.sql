-- What a new log can change is looked at, not the whole record (pipeline/assess/plan.py). NULL: all of it.
ALTER TABLE touched ADD COLUMN from_t TIMESTAMP;        -- nothing of the vehicle that ended well before can have changed
ALTER TABLE judged ADD COLUMN measured_by VARCHAR;      -- hash of settings, versions and profiles behind its sessions
