-- 011_create_part.sql
-- Parts measured earlier: exact layer profiles for builds that name them.

CREATE TABLE part (
    name          VARCHAR NOT NULL,
    sha256        VARCHAR NOT NULL,
    layer_mm      DOUBLE NOT NULL,
    measured_at   TIMESTAMP NOT NULL,
    summary       VARCHAR NOT NULL,
    angles_deg    DOUBLE[],
    z_mm          DOUBLE[],
    area_mm2      DOUBLE[],
    perimeter_mm  DOUBLE[],
    contours      DOUBLE[],
    segments      DOUBLE[],
    corners       DOUBLE[],
    up_skin_mm2   DOUBLE[],
    down_skin_mm2 DOUBLE[],
    line_width_mm DOUBLE[]
);
COMMENT ON TABLE  part IS 'Measured parts, one row for each file, pose and layer thickness';
COMMENT ON COLUMN part.name IS 'name of the part file';
COMMENT ON COLUMN part.sha256 IS 'digest of its bytes';
COMMENT ON COLUMN part.layer_mm IS 'layer thickness of the profile [mm]';
COMMENT ON COLUMN part.measured_at IS 'when [UTC]';
COMMENT ON COLUMN part.summary IS 'volume, area, bounds and the like, as JSON';
COMMENT ON COLUMN part.angles_deg IS 'directions of fill lines [deg]';
COMMENT ON COLUMN part.z_mm IS 'height of each cut [mm]';
COMMENT ON COLUMN part.area_mm2 IS 'section area of each layer [mm2]';
COMMENT ON COLUMN part.perimeter_mm IS 'perimeter of each layer [mm]';
COMMENT ON COLUMN part.contours IS 'closed loops of each layer [-]';
COMMENT ON COLUMN part.segments IS 'straight pieces of each layer [-]';
COMMENT ON COLUMN part.corners IS 'sharp corners of each layer [-]';
COMMENT ON COLUMN part.up_skin_mm2 IS 'surface not covered by the next layer [mm2]';
COMMENT ON COLUMN part.down_skin_mm2 IS 'surface not carried by the last layer [mm2]';
COMMENT ON COLUMN part.line_width_mm IS 'width across the fill lines, layer by layer, all angles of a layer together [mm]';
