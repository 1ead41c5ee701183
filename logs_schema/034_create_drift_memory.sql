-- 034_create_drift_memory.sql
-- What each look for drift leaves to the next: limits set once a quarter, alarms until they end, and how far it looked.

CREATE TABLE drift_limit (
    quarter               VARCHAR NOT NULL,
    process               VARCHAR NOT NULL,
    stage                 VARCHAR NOT NULL,
    level                 DOUBLE NOT NULL,
    spread                DOUBLE NOT NULL,
    false_alarms_per_year DOUBLE NOT NULL
);
COMMENT ON TABLE  drift_limit IS 'Limits of charts, one row for each chart and quarter of log time';
COMMENT ON COLUMN drift_limit.quarter IS 'first day of the quarter, UTC';
COMMENT ON COLUMN drift_limit.process IS 'process code';
COMMENT ON COLUMN drift_limit.stage IS 'stage, or what is charted together';
COMMENT ON COLUMN drift_limit.level IS 'log odds from which on a change of level is an alarm';
COMMENT ON COLUMN drift_limit.spread IS 'log odds from which on a change of spread is an alarm';
COMMENT ON COLUMN drift_limit.false_alarms_per_year IS 'false alarms of the whole lab that it was set for';

CREATE TABLE drift_alarm (
    process     VARCHAR NOT NULL,
    stage       VARCHAR NOT NULL,
    kind        VARCHAR NOT NULL,
    sign        INTEGER NOT NULL,
    cried_at    TIMESTAMP NOT NULL,
    first_at    TIMESTAMP NOT NULL,
    runs        BIGINT NOT NULL,
    minutes     DOUBLE NOT NULL,
    since       VARCHAR,
    since_low   VARCHAR,
    since_high  VARCHAR,
    change_pct  DOUBLE,
    known_since TIMESTAMP,
    ended_at    TIMESTAMP,
    ended_why   VARCHAR
);
COMMENT ON TABLE  drift_alarm IS 'Alarms of charts, one row each, until they are accepted, mended or gone back';
COMMENT ON COLUMN drift_alarm.process IS 'process code';
COMMENT ON COLUMN drift_alarm.stage IS 'stage, or what is charted together';
COMMENT ON COLUMN drift_alarm.kind IS 'level or spread';
COMMENT ON COLUMN drift_alarm.sign IS '1 slower, -1 quicker';
COMMENT ON COLUMN drift_alarm.cried_at IS 'end of the run at which the chart crossed its limit [UTC]';
COMMENT ON COLUMN drift_alarm.first_at IS 'end of the first run after the change, as the chart saw it then [UTC]';
COMMENT ON COLUMN drift_alarm.runs IS 'runs from then to the alarm: others now mean corrected logs';
COMMENT ON COLUMN drift_alarm.minutes IS 'minutes of those runs [min]';
COMMENT ON COLUMN drift_alarm.since IS 'day of the change as first told; another one once the estimate leaves its range';
COMMENT ON COLUMN drift_alarm.since_low IS 'earliest day of its 90 % range';
COMMENT ON COLUMN drift_alarm.since_high IS 'latest day of its 90 % range';
COMMENT ON COLUMN drift_alarm.change_pct IS 'size of the change as first told, positive when slower [%]';
COMMENT ON COLUMN drift_alarm.known_since IS 'last logged end of the look that first told it [UTC]; empty: never told';
COMMENT ON COLUMN drift_alarm.ended_at IS 'last logged end of the look that ended it [UTC]; empty while it stands';
COMMENT ON COLUMN drift_alarm.ended_why IS 'mended, or went back';

CREATE TABLE drift_look (
    looked TIMESTAMP NOT NULL
);
COMMENT ON TABLE  drift_look IS 'Looks for drift, one row each';
COMMENT ON COLUMN drift_look.looked IS 'last logged end that was looked at [UTC]';
