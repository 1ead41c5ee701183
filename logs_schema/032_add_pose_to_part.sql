-- 032_add_pose_to_part.sql
-- The pose of a part depends on how many are made: each is kept, with all that a build's row takes from it.

ALTER TABLE part ADD COLUMN volume_cm3 DOUBLE;
ALTER TABLE part ADD COLUMN size_mm DOUBLE[];
ALTER TABLE part ADD COLUMN support_thick_mm DOUBLE;
ALTER TABLE part ADD COLUMN rafted BOOLEAN;
ALTER TABLE part ADD COLUMN quantity BIGINT;
ALTER TABLE part ADD COLUMN support_mm2 DOUBLE[];
COMMENT ON COLUMN part.volume_cm3 IS 'volume of one part [cm3]; NULL: measured before poses were kept';
COMMENT ON COLUMN part.size_mm IS 'x, y, z of one part in this pose [mm]';
COMMENT ON COLUMN part.support_thick_mm IS 'thickest support [mm]';
COMMENT ON COLUMN part.rafted IS 'a raft carries it above the plate';
COMMENT ON COLUMN part.quantity IS 'number of parts for which the pose was chosen';
COMMENT ON COLUMN part.support_mm2 IS 'section of the supports of one part in each layer [mm2]';
