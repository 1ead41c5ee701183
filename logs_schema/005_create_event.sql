-- 005_create_event.sql
-- What may explain a change: a new lamp, fresh solvent, a move.

CREATE TABLE event (
    row_key  VARCHAR NOT NULL,
    file_id  BIGINT NOT NULL,
    line     BIGINT NOT NULL,
    raw_hash UBIGINT NOT NULL,
    "at"     TIMESTAMP NOT NULL,
    machine  VARCHAR,
    station  VARCHAR,
    what     VARCHAR NOT NULL,
    note     VARCHAR,
    extra    VARCHAR
);
COMMENT ON TABLE  event IS 'What may explain a change; current rows';
COMMENT ON COLUMN event.row_key IS 'what makes two rows the same row; importing twice adds nothing';
COMMENT ON COLUMN event.file_id IS 'log_file that it was read from';
COMMENT ON COLUMN event.line IS 'line or row in that file, counted from 1';
COMMENT ON COLUMN event.raw_hash IS 'digest of the row as it stood in the file: recognises a repeat at once';
COMMENT ON COLUMN event."at" IS 'when [UTC]';
COMMENT ON COLUMN event.machine IS 'machine it concerns';
COMMENT ON COLUMN event.station IS 'station it concerns';
COMMENT ON COLUMN event.what IS 'what happened, in short';
COMMENT ON COLUMN event.note IS 'any text';
COMMENT ON COLUMN event.extra IS 'columns that calib does not know, as JSON, untouched';

CREATE TABLE event_history (
    row_key     VARCHAR NOT NULL,
    file_id     BIGINT NOT NULL,
    line        BIGINT NOT NULL,
    raw_hash    UBIGINT NOT NULL,
    "at"        TIMESTAMP,
    machine     VARCHAR,
    station     VARCHAR,
    what        VARCHAR,
    note        VARCHAR,
    extra       VARCHAR,
    replaced_by BIGINT NOT NULL
);
COMMENT ON TABLE  event_history IS 'What may explain a change; rows that a correction replaced';
COMMENT ON COLUMN event_history.row_key IS 'what makes two rows the same row; importing twice adds nothing';
COMMENT ON COLUMN event_history.file_id IS 'log_file that it was read from';
COMMENT ON COLUMN event_history.line IS 'line or row in that file, counted from 1';
COMMENT ON COLUMN event_history.raw_hash IS 'digest of the row as it stood in the file: recognises a repeat at once';
COMMENT ON COLUMN event_history."at" IS 'when [UTC]';
COMMENT ON COLUMN event_history.machine IS 'machine it concerns';
COMMENT ON COLUMN event_history.station IS 'station it concerns';
COMMENT ON COLUMN event_history.what IS 'what happened, in short';
COMMENT ON COLUMN event_history.note IS 'any text';
COMMENT ON COLUMN event_history.extra IS 'columns that calib does not know, as JSON, untouched';
COMMENT ON COLUMN event_history.replaced_by IS 'log_file whose row replaced it';
