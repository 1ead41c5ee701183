-- 001_create_log_import.sql
-- Every call of the import and every file in it: where a row came from can always be said.

CREATE TABLE log_import (
    import_id     BIGINT NOT NULL,
    imported_at   TIMESTAMP NOT NULL,
    zone          VARCHAR NOT NULL,
    calib_version VARCHAR NOT NULL
);
COMMENT ON TABLE  log_import IS 'Calls of the import, one row each';
COMMENT ON COLUMN log_import.import_id IS 'number of the call';
COMMENT ON COLUMN log_import.imported_at IS 'when [UTC]';
COMMENT ON COLUMN log_import.zone IS 'IANA zone of stamps without offset';
COMMENT ON COLUMN log_import.calib_version IS 'version of calib';

CREATE TABLE log_file (
    file_id          BIGINT NOT NULL,
    import_id        BIGINT NOT NULL,
    name             VARCHAR NOT NULL,
    kind             VARCHAR NOT NULL,
    sha256           VARCHAR NOT NULL,
    rows_read        BIGINT NOT NULL,
    rows_new         BIGINT NOT NULL,
    rows_corrected   BIGINT NOT NULL,
    rows_repeated    BIGINT NOT NULL,
    rows_quarantined BIGINT NOT NULL,
    rows_held        BIGINT NOT NULL
);
COMMENT ON TABLE  log_file IS 'Files that were read, one row for each call and file';
COMMENT ON COLUMN log_file.file_id IS 'number of the file';
COMMENT ON COLUMN log_file.import_id IS 'call it came with';
COMMENT ON COLUMN log_file.name IS 'name of the file, without folders';
COMMENT ON COLUMN log_file.kind IS 'builds, stages, items or events';
COMMENT ON COLUMN log_file.sha256 IS 'digest of its bytes';
COMMENT ON COLUMN log_file.rows_read IS 'rows in it [-]';
COMMENT ON COLUMN log_file.rows_new IS 'rows stored as new [-]';
COMMENT ON COLUMN log_file.rows_corrected IS 'rows that replaced another [-]';
COMMENT ON COLUMN log_file.rows_repeated IS 'rows that were known [-]';
COMMENT ON COLUMN log_file.rows_quarantined IS 'rows set aside [-]';
COMMENT ON COLUMN log_file.rows_held IS 'rows that wait for their build [-]';
