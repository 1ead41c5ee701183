-- 006_create_quarantine.sql
-- Rows that break a rule: kept as they stood, with the reason, until a person mends or drops them.

CREATE TABLE quarantine (
    reject_id   BIGINT NOT NULL,
    file_id     BIGINT NOT NULL,
    kind        VARCHAR NOT NULL,
    line        BIGINT NOT NULL,
    column_name VARCHAR NOT NULL,
    value       VARCHAR,
    rule        VARCHAR NOT NULL,
    reason      VARCHAR NOT NULL,
    row_text    VARCHAR NOT NULL,
    raw_hash    UBIGINT NOT NULL,
    state       VARCHAR NOT NULL
);
COMMENT ON TABLE  quarantine IS 'Rows set aside, one row for each row and broken rule';
COMMENT ON COLUMN quarantine.reject_id IS 'number of the row set aside; several broken rules share it';
COMMENT ON COLUMN quarantine.file_id IS 'log_file that it was read from';
COMMENT ON COLUMN quarantine.kind IS 'builds, stages, items or events';
COMMENT ON COLUMN quarantine.line IS 'line or row in that file, counted from 1';
COMMENT ON COLUMN quarantine.column_name IS 'column that broke the rule; empty where it is the row as a whole';
COMMENT ON COLUMN quarantine.value IS 'what stood there';
COMMENT ON COLUMN quarantine.rule IS 'name of the rule';
COMMENT ON COLUMN quarantine.reason IS 'the rule as a sentence, with what to do';
COMMENT ON COLUMN quarantine.row_text IS 'the row as it stood, as JSON: column to text';
COMMENT ON COLUMN quarantine.raw_hash IS 'digest of the row: the same row is listed once';
COMMENT ON COLUMN quarantine.state IS 'open, mended or dropped';
