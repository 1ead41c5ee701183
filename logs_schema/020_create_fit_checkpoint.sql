-- 020_create_fit_checkpoint.sql
-- What the last fit knew at the ends of some weeks, so that the next one begins where the logs have changed.

CREATE TABLE fit_checkpoint (
    name    VARCHAR NOT NULL,
    dtype   VARCHAR NOT NULL,
    shape   BIGINT[] NOT NULL,
    numbers DOUBLE[],
    whole   BIGINT[],
    texts   VARCHAR[]
);
COMMENT ON TABLE  fit_checkpoint IS 'Checkpoints of the last fit, one row for each array; a fit without them gives the same';
COMMENT ON COLUMN fit_checkpoint.name IS 'checkpoint and place of the array in it';
COMMENT ON COLUMN fit_checkpoint.dtype IS 'type it had';
COMMENT ON COLUMN fit_checkpoint.shape IS 'its sizes';
COMMENT ON COLUMN fit_checkpoint.numbers IS 'values of an array of numbers';
COMMENT ON COLUMN fit_checkpoint.whole IS 'values of an array of whole numbers or flags';
COMMENT ON COLUMN fit_checkpoint.texts IS 'values of a text';
