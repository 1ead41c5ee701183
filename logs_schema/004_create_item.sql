-- 004_create_item.sql
-- What one build holds of which order.

CREATE TABLE item (
    row_key   VARCHAR NOT NULL,
    file_id   BIGINT NOT NULL,
    line      BIGINT NOT NULL,
    raw_hash  UBIGINT NOT NULL,
    build_id  VARCHAR NOT NULL,
    order_id  VARCHAR,
    quote_id  VARCHAR,
    part_file VARCHAR,
    qty       DOUBLE NOT NULL,
    qty_good  DOUBLE,
    finish    VARCHAR,
    extra     VARCHAR
);
COMMENT ON TABLE  item IS 'Contents of builds; current rows';
COMMENT ON COLUMN item.row_key IS 'what makes two rows the same row; importing twice adds nothing';
COMMENT ON COLUMN item.file_id IS 'log_file that it was read from';
COMMENT ON COLUMN item.line IS 'line or row in that file, counted from 1';
COMMENT ON COLUMN item.raw_hash IS 'digest of the row as it stood in the file: recognises a repeat at once';
COMMENT ON COLUMN item.build_id IS 'build';
COMMENT ON COLUMN item.order_id IS 'order';
COMMENT ON COLUMN item.quote_id IS 'quote';
COMMENT ON COLUMN item.part_file IS 'part';
COMMENT ON COLUMN item.qty IS 'pieces of it in the build [-]';
COMMENT ON COLUMN item.qty_good IS 'good pieces [-]';
COMMENT ON COLUMN item.finish IS 'as_built, supports_off, blasted or sanded';
COMMENT ON COLUMN item.extra IS 'columns that calib does not know, as JSON, untouched';

CREATE TABLE item_history (
    row_key     VARCHAR NOT NULL,
    file_id     BIGINT NOT NULL,
    line        BIGINT NOT NULL,
    raw_hash    UBIGINT NOT NULL,
    build_id    VARCHAR,
    order_id    VARCHAR,
    quote_id    VARCHAR,
    part_file   VARCHAR,
    qty         DOUBLE,
    qty_good    DOUBLE,
    finish      VARCHAR,
    extra       VARCHAR,
    replaced_by BIGINT NOT NULL
);
COMMENT ON TABLE  item_history IS 'Contents of builds; rows that a correction replaced';
COMMENT ON COLUMN item_history.row_key IS 'what makes two rows the same row; importing twice adds nothing';
COMMENT ON COLUMN item_history.file_id IS 'log_file that it was read from';
COMMENT ON COLUMN item_history.line IS 'line or row in that file, counted from 1';
COMMENT ON COLUMN item_history.raw_hash IS 'digest of the row as it stood in the file: recognises a repeat at once';
COMMENT ON COLUMN item_history.build_id IS 'build';
COMMENT ON COLUMN item_history.order_id IS 'order';
COMMENT ON COLUMN item_history.quote_id IS 'quote';
COMMENT ON COLUMN item_history.part_file IS 'part';
COMMENT ON COLUMN item_history.qty IS 'pieces of it in the build [-]';
COMMENT ON COLUMN item_history.qty_good IS 'good pieces [-]';
COMMENT ON COLUMN item_history.finish IS 'as_built, supports_off, blasted or sanded';
COMMENT ON COLUMN item_history.extra IS 'columns that calib does not know, as JSON, untouched';
COMMENT ON COLUMN item_history.replaced_by IS 'log_file whose row replaced it';
