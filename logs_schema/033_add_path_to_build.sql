-- 033_add_path_to_build.sql
-- The path that the machine runs, where a lab has it: its own minutes are a better baseline than the mesh's.

ALTER TABLE build ADD COLUMN path_file VARCHAR;
ALTER TABLE build_history ADD COLUMN path_file VARCHAR;
COMMENT ON COLUMN build.path_file IS 'file of the path that the machine runs, in the folder paths of the shop';
COMMENT ON COLUMN build_history.path_file IS 'file of the path that the machine runs, in the folder paths of the shop';

CREATE TABLE path_time (
    name         VARCHAR NOT NULL,
    sha256       VARCHAR NOT NULL,
    parameters   VARCHAR NOT NULL,
    printing_min DOUBLE NOT NULL,
    measured_at  TIMESTAMP NOT NULL
);
COMMENT ON TABLE  path_time IS 'Time of paths, one row for each file and set of machine parameters';
COMMENT ON COLUMN path_time.name IS 'name of the path file';
COMMENT ON COLUMN path_time.sha256 IS 'digest of its bytes';
COMMENT ON COLUMN path_time.parameters IS 'acceleration, corner speed and the other machine parameters that it was reckoned with, as JSON';
COMMENT ON COLUMN path_time.printing_min IS 'moves, dwells and waits for heat after the first laid line [min]';
COMMENT ON COLUMN path_time.measured_at IS 'when [UTC]';
