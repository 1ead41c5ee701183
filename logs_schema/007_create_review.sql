-- 007_create_review.sql
-- Rows that are valid but look wrong, for a look by a person, whose verdict is kept.

CREATE TABLE review (
    row_key      VARCHAR NOT NULL,
    rule         VARCHAR NOT NULL,
    says         VARCHAR NOT NULL,
    effect_min   DOUBLE,
    marked_at    TIMESTAMP NOT NULL,
    verdict      VARCHAR,
    verdict_at   TIMESTAMP,
    verdict_note VARCHAR
);
COMMENT ON TABLE  review IS 'Marks on stored runs, one row for each run and rule';
COMMENT ON COLUMN review.row_key IS 'stage_run it marks';
COMMENT ON COLUMN review.rule IS 'name of the rule';
COMMENT ON COLUMN review.says IS 'what looks wrong, as a sentence';
COMMENT ON COLUMN review.effect_min IS 'minutes in doubt [min]';
COMMENT ON COLUMN review.marked_at IS 'when it was marked [UTC]';
COMMENT ON COLUMN review.verdict IS 'right, wrong or empty: not looked at yet';
COMMENT ON COLUMN review.verdict_at IS 'when a person looked [UTC]';
COMMENT ON COLUMN review.verdict_note IS 'what the person said';
