-- 017_add_reading_to_log_file.sql
-- How a file was read, so that one that is unchanged, or has only grown, is not read again.

ALTER TABLE log_file ADD COLUMN bytes BIGINT;
ALTER TABLE log_file ADD COLUMN lines BIGINT;
ALTER TABLE log_file ADD COLUMN read_as VARCHAR;
ALTER TABLE log_file ADD COLUMN rows_used_again BIGINT;
ALTER TABLE log_file ADD COLUMN sheet VARCHAR;
ALTER TABLE log_file ADD COLUMN names VARCHAR[];
ALTER TABLE log_file ADD COLUMN notes VARCHAR[];
COMMENT ON COLUMN log_file.bytes IS 'size of the file; empty: read by an older version [-]';
COMMENT ON COLUMN log_file.lines IS 'lines of the file [-]';
COMMENT ON COLUMN log_file.read_as IS 'digest of what reading depends on beside the file: zone, names, dropped columns, stages of the shop, mapping, version';
COMMENT ON COLUMN log_file.rows_used_again IS 'rows set aside because their id is used again: what becomes of these depends on the store [-]';
COMMENT ON COLUMN log_file.sheet IS 'which of its tables: what the name has behind that of the file, from # on; empty where it has one';
COMMENT ON COLUMN log_file.names IS 'its columns';
COMMENT ON COLUMN log_file.notes IS 'what was noticed when it was read, as sentences';
