-- 021_drop_row_key_of_stage_run.sql
-- The key of a run is told by its other columns: stored, it was half of the file and a tenth of the work of an import.
-- A table whose first column goes is made again: it is quicker than taking it out. A mark says what its run worked on, so
-- that runs need not be given keys to find the marked ones.

ALTER TABLE review ADD COLUMN work VARCHAR;
COMMENT ON COLUMN review.work IS 'run_id of the run that it marks, else its build_id, else its order_id: what its key begins with';
UPDATE review SET work = s.work FROM (
    SELECT row_key, coalesce(run_id, build_id, order_id) AS work FROM stage_run
    UNION SELECT row_key, coalesce(run_id, build_id, order_id) FROM stage_run_history
) s WHERE review.row_key = s.row_key;
UPDATE review SET work = split_part(row_key, ' | ', 1) WHERE work IS NULL;

ALTER TABLE stage_run RENAME TO stage_run_before;
ALTER TABLE stage_run_history RENAME TO stage_run_history_before;

CREATE TABLE stage_run (
    file_id    BIGINT NOT NULL,
    line       BIGINT NOT NULL,
    raw_hash   UBIGINT NOT NULL,
    build_id   VARCHAR,
    order_id   VARCHAR,
    stage      VARCHAR NOT NULL,
    started_at TIMESTAMP,
    ended_at   TIMESTAMP,
    date       DATE,
    work_min   DOUBLE,
    station    VARCHAR,
    operator   VARCHAR,
    crew_size  DOUBLE,
    paused_min DOUBLE,
    touch_min  DOUBLE,
    parts      DOUBLE,
    parts_good DOUBLE,
    outcome    VARCHAR,
    attempt    DOUBLE,
    ended_by   VARCHAR,
    run_id     VARCHAR,
    note       VARCHAR,
    held       BOOLEAN NOT NULL,
    closed_min DOUBLE,
    extra      VARCHAR
);
COMMENT ON TABLE  stage_run IS 'Runs of stages; current rows';
COMMENT ON COLUMN stage_run.file_id IS 'log_file that it was read from';
COMMENT ON COLUMN stage_run.line IS 'line or row in that file, counted from 1';
COMMENT ON COLUMN stage_run.raw_hash IS 'digest of the row as it stood in the file: recognises a repeat at once';
COMMENT ON COLUMN stage_run.build_id IS 'builds that were worked on, joined by +';
COMMENT ON COLUMN stage_run.order_id IS 'orders that were worked on, joined by +';
COMMENT ON COLUMN stage_run.stage IS 'stage, or several joined by +';
COMMENT ON COLUMN stage_run.started_at IS 'start [UTC]';
COMMENT ON COLUMN stage_run.ended_at IS 'end [UTC]; empty: still running or lost';
COMMENT ON COLUMN stage_run.date IS 'day in the zone of the shop, where only the day and the minutes were noted';
COMMENT ON COLUMN stage_run.work_min IS 'minutes as noted [min]';
COMMENT ON COLUMN stage_run.station IS 'machine, station or bench';
COMMENT ON COLUMN stage_run.operator IS 'person or crew; an alias unless the shop names people';
COMMENT ON COLUMN stage_run.crew_size IS 'people at once [-]';
COMMENT ON COLUMN stage_run.paused_min IS 'minutes to take off [min]';
COMMENT ON COLUMN stage_run.touch_min IS 'minutes that hands were on it [min]';
COMMENT ON COLUMN stage_run.parts IS 'parts in this load [-]';
COMMENT ON COLUMN stage_run.parts_good IS 'good ones after it [-]';
COMMENT ON COLUMN stage_run.outcome IS 'done, stopped, failed, skipped or void';
COMMENT ON COLUMN stage_run.attempt IS '1, or 2 ... for work done again [-]';
COMMENT ON COLUMN stage_run.ended_by IS 'machine, person or found';
COMMENT ON COLUMN stage_run.run_id IS 'unique text of the run, where the log has one';
COMMENT ON COLUMN stage_run.note IS 'any text';
COMMENT ON COLUMN stage_run.held IS 'true while a build or order that it names is not known';
COMMENT ON COLUMN stage_run.closed_min IS 'closed minutes within a run of a person who went home in between [min]; empty: not counted yet';
COMMENT ON COLUMN stage_run.extra IS 'columns that calib does not know, as JSON, untouched';

CREATE TABLE stage_run_history (
    file_id     BIGINT NOT NULL,
    line        BIGINT NOT NULL,
    raw_hash    UBIGINT NOT NULL,
    build_id    VARCHAR,
    order_id    VARCHAR,
    stage       VARCHAR,
    started_at  TIMESTAMP,
    ended_at    TIMESTAMP,
    date        DATE,
    work_min    DOUBLE,
    station     VARCHAR,
    operator    VARCHAR,
    crew_size   DOUBLE,
    paused_min  DOUBLE,
    touch_min   DOUBLE,
    parts       DOUBLE,
    parts_good  DOUBLE,
    outcome     VARCHAR,
    attempt     DOUBLE,
    ended_by    VARCHAR,
    run_id      VARCHAR,
    note        VARCHAR,
    held        BOOLEAN,
    closed_min  DOUBLE,
    extra       VARCHAR,
    replaced_by BIGINT NOT NULL
);
COMMENT ON TABLE  stage_run_history IS 'Runs of stages; rows that a correction replaced';
COMMENT ON COLUMN stage_run_history.file_id IS 'log_file that it was read from';
COMMENT ON COLUMN stage_run_history.line IS 'line or row in that file, counted from 1';
COMMENT ON COLUMN stage_run_history.raw_hash IS 'digest of the row as it stood in the file: recognises a repeat at once';
COMMENT ON COLUMN stage_run_history.build_id IS 'builds that were worked on, joined by +';
COMMENT ON COLUMN stage_run_history.order_id IS 'orders that were worked on, joined by +';
COMMENT ON COLUMN stage_run_history.stage IS 'stage, or several joined by +';
COMMENT ON COLUMN stage_run_history.started_at IS 'start [UTC]';
COMMENT ON COLUMN stage_run_history.ended_at IS 'end [UTC]; empty: still running or lost';
COMMENT ON COLUMN stage_run_history.date IS 'day in the zone of the shop, where only the day and the minutes were noted';
COMMENT ON COLUMN stage_run_history.work_min IS 'minutes as noted [min]';
COMMENT ON COLUMN stage_run_history.station IS 'machine, station or bench';
COMMENT ON COLUMN stage_run_history.operator IS 'person or crew; an alias unless the shop names people';
COMMENT ON COLUMN stage_run_history.crew_size IS 'people at once [-]';
COMMENT ON COLUMN stage_run_history.paused_min IS 'minutes to take off [min]';
COMMENT ON COLUMN stage_run_history.touch_min IS 'minutes that hands were on it [min]';
COMMENT ON COLUMN stage_run_history.parts IS 'parts in this load [-]';
COMMENT ON COLUMN stage_run_history.parts_good IS 'good ones after it [-]';
COMMENT ON COLUMN stage_run_history.outcome IS 'done, stopped, failed, skipped or void';
COMMENT ON COLUMN stage_run_history.attempt IS '1, or 2 ... for work done again [-]';
COMMENT ON COLUMN stage_run_history.ended_by IS 'machine, person or found';
COMMENT ON COLUMN stage_run_history.run_id IS 'unique text of the run, where the log has one';
COMMENT ON COLUMN stage_run_history.note IS 'any text';
COMMENT ON COLUMN stage_run_history.held IS 'true while a build or order that it names is not known';
COMMENT ON COLUMN stage_run_history.closed_min IS 'closed minutes within a run of a person who went home in between [min]; empty: not counted yet';
COMMENT ON COLUMN stage_run_history.extra IS 'columns that calib does not know, as JSON, untouched';
COMMENT ON COLUMN stage_run_history.replaced_by IS 'log_file whose row replaced it';

INSERT INTO stage_run (file_id, line, raw_hash, build_id, order_id, stage, started_at, ended_at, date, work_min,
station, operator, crew_size, paused_min, touch_min, parts, parts_good, outcome, attempt, ended_by, run_id, note, held,
closed_min, extra) SELECT file_id, line, raw_hash, build_id, order_id, stage, started_at, ended_at, date, work_min,
station, operator, crew_size, paused_min, touch_min, parts, parts_good, outcome, attempt, ended_by, run_id, note, held,
closed_min, extra FROM stage_run_before;
DROP TABLE stage_run_before;
INSERT INTO stage_run_history (file_id, line, raw_hash, build_id, order_id, stage, started_at, ended_at, date, work_min,
station, operator, crew_size, paused_min, touch_min, parts, parts_good, outcome, attempt, ended_by, run_id, note, held,
closed_min, extra, replaced_by) SELECT file_id, line, raw_hash, build_id, order_id, stage, started_at, ended_at, date,
work_min, station, operator, crew_size, paused_min, touch_min, parts, parts_good, outcome, attempt, ended_by, run_id,
note, held, closed_min, extra, replaced_by FROM stage_run_history_before;
DROP TABLE stage_run_history_before;
