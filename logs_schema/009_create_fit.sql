-- 009_create_fit.sql
-- What was learned, with its data horizon, so that the quote of last month can be explained.

CREATE TABLE fit (
    fit_id       BIGINT NOT NULL,
    fitted_at    TIMESTAMP NOT NULL,
    as_of        VARCHAR NOT NULL,
    shop_version VARCHAR NOT NULL,
    last_file_id BIGINT NOT NULL,
    summary      VARCHAR NOT NULL
);
COMMENT ON TABLE  fit IS 'Fits, one row each';
COMMENT ON COLUMN fit.fit_id IS 'number of the fit';
COMMENT ON COLUMN fit.fitted_at IS 'when [UTC]';
COMMENT ON COLUMN fit.as_of IS 'last day of logs it knows';
COMMENT ON COLUMN fit.shop_version IS 'digest of the shop file';
COMMENT ON COLUMN fit.last_file_id IS 'last log_file that had been stored: later ones are not in it';
COMMENT ON COLUMN fit.summary IS 'how it ended, as JSON';

CREATE TABLE fit_column (
    fit_id      BIGINT NOT NULL,
    table_name  VARCHAR NOT NULL,
    position    INTEGER NOT NULL,
    column_name VARCHAR NOT NULL,
    dtype       VARCHAR NOT NULL,
    numbers     DOUBLE[],
    whole       BIGINT[],
    texts       VARCHAR[]
);
COMMENT ON TABLE  fit_column IS 'Numbers of fits, one row for each column of each of its tables';
COMMENT ON COLUMN fit_column.fit_id IS 'fit it belongs to';
COMMENT ON COLUMN fit_column.table_name IS 'table of the model';
COMMENT ON COLUMN fit_column.position IS 'place of the column in it';
COMMENT ON COLUMN fit_column.column_name IS 'column';
COMMENT ON COLUMN fit_column.dtype IS 'type it had';
COMMENT ON COLUMN fit_column.numbers IS 'values of a column of numbers';
COMMENT ON COLUMN fit_column.whole IS 'values of a column of whole numbers, stamps or flags';
COMMENT ON COLUMN fit_column.texts IS 'values of a column of text';
