-- 019_add_process_to_part.sql
-- A part lies otherwise in each process: its profile belongs to both, with the supports of that pose.

ALTER TABLE part ADD COLUMN process VARCHAR;
ALTER TABLE part ADD COLUMN support_cm3 DOUBLE;
ALTER TABLE part ADD COLUMN contact_cm2 DOUBLE;
ALTER TABLE part ADD COLUMN area_cm2 DOUBLE;
COMMENT ON COLUMN part.process IS 'MEX, VPP or PBF: the pose is the one chosen for it';
COMMENT ON COLUMN part.support_cm3 IS 'supports of one part in that pose [cm3]';
COMMENT ON COLUMN part.contact_cm2 IS 'where they touch it [cm2]';
COMMENT ON COLUMN part.area_cm2 IS 'surface of one part [cm2]';
