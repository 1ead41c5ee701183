-- 041_drop_baseline_cache.sql
-- Nothing wrote or read kept baselines: each fit makes them anew from the builds as they are logged.

DROP TABLE baseline_cache;
