-- 016_add_taken_back_to_log_import.sql
-- An import can be taken back: it is known when that was done, and which file closed a row that was set aside.

ALTER TABLE quarantine ADD COLUMN closed_by BIGINT;
ALTER TABLE log_import ADD COLUMN taken_back_at TIMESTAMP;
COMMENT ON COLUMN quarantine.state IS 'open, mended, retried (set aside again under another number) or dropped';
COMMENT ON COLUMN quarantine.closed_by IS 'log_file in which the row came back';
COMMENT ON COLUMN log_import.taken_back_at IS 'when a person took the import back [UTC]; empty: it stands';
