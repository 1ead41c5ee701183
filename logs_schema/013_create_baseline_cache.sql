-- 013_create_baseline_cache.sql
-- Baselines are physics and cost time: kept by build, shop version and code version.

CREATE TABLE baseline_cache (
    version      VARCHAR NOT NULL,
    build_id     VARCHAR NOT NULL,
    stage        VARCHAR NOT NULL,
    baseline_min DOUBLE NOT NULL,
    touch_min    DOUBLE,
    basis        VARCHAR NOT NULL,
    prior_sd     DOUBLE NOT NULL,
    floor_min    DOUBLE
);
COMMENT ON TABLE  baseline_cache IS 'Baseline minutes, one row for each build and stage';
COMMENT ON COLUMN baseline_cache.version IS 'digest of shop version, code version and the build as logged';
COMMENT ON COLUMN baseline_cache.build_id IS 'build';
COMMENT ON COLUMN baseline_cache.stage IS 'stage';
COMMENT ON COLUMN baseline_cache.baseline_min IS 'minutes by physics [min]';
COMMENT ON COLUMN baseline_cache.touch_min IS 'minutes of it with hands on [min]';
COMMENT ON COLUMN baseline_cache.basis IS 'what the build row allowed';
COMMENT ON COLUMN baseline_cache.prior_sd IS 'sd of log(actual/baseline) before any log [-]';
COMMENT ON COLUMN baseline_cache.floor_min IS 'minutes that nothing may undercut [min]; empty: unknown';
