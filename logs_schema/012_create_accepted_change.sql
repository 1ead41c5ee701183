-- 012_create_accepted_change.sql
-- Changes that a person accepted: they are the new plan and alarm no more.

CREATE TABLE accepted_change (
    process     VARCHAR NOT NULL,
    stage       VARCHAR NOT NULL,
    since       VARCHAR NOT NULL,
    change_pct  DOUBLE,
    accepted_at TIMESTAMP NOT NULL,
    note        VARCHAR
);
COMMENT ON TABLE  accepted_change IS 'Accepted changes, one row each';
COMMENT ON COLUMN accepted_change.process IS 'process code';
COMMENT ON COLUMN accepted_change.stage IS 'stage';
COMMENT ON COLUMN accepted_change.since IS 'day of the change, as the chart said';
COMMENT ON COLUMN accepted_change.accepted_at IS 'when [UTC]';
COMMENT ON COLUMN accepted_change.note IS 'why';
COMMENT ON COLUMN accepted_change.change_pct IS 'size of the change as the chart said, positive when slower [%]';
