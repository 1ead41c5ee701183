-- 002_create_build.sql
-- One row for each build of a machine, finished or planned; a correction moves the old row to the history.

CREATE TABLE build (
    row_key             VARCHAR NOT NULL,
    file_id             BIGINT NOT NULL,
    line                BIGINT NOT NULL,
    raw_hash            UBIGINT NOT NULL,
    build_id            VARCHAR NOT NULL,
    process             VARCHAR NOT NULL,
    machine             VARCHAR NOT NULL,
    parts               DOUBLE NOT NULL,
    material            VARCHAR,
    material_lot        VARCHAR,
    fresh_share         DOUBLE,
    layer_mm            DOUBLE,
    part_file           VARCHAR,
    part_volume_cm3     DOUBLE,
    part_area_cm2       DOUBLE,
    support_volume_cm3  DOUBLE,
    support_contact_cm2 DOUBLE,
    height_mm           DOUBLE,
    packed_volume_cm3   DOUBLE,
    announced_min       DOUBLE,
    material_g          DOUBLE,
    material_ml         DOUBLE,
    layers              DOUBLE,
    infill              DOUBLE,
    nozzle_mm           DOUBLE,
    exposure_s          DOUBLE,
    difficulty          VARCHAR,
    finish              VARCHAR,
    planned             BOOLEAN,
    order_id            VARCHAR,
    quote_id            VARCHAR,
    extra               VARCHAR
);
COMMENT ON TABLE  build IS 'Builds of machines; current rows';
COMMENT ON COLUMN build.row_key IS 'what makes two rows the same row; importing twice adds nothing';
COMMENT ON COLUMN build.file_id IS 'log_file that it was read from';
COMMENT ON COLUMN build.line IS 'line or row in that file, counted from 1';
COMMENT ON COLUMN build.raw_hash IS 'digest of the row as it stood in the file: recognises a repeat at once';
COMMENT ON COLUMN build.build_id IS 'id of the build in the shop';
COMMENT ON COLUMN build.process IS 'process code of ISO/ASTM 52900: MEX, VPP or PBF';
COMMENT ON COLUMN build.machine IS 'machine it runs on';
COMMENT ON COLUMN build.parts IS 'number of parts in the build [-]';
COMMENT ON COLUMN build.material IS 'material id';
COMMENT ON COLUMN build.material_lot IS 'lot of the material';
COMMENT ON COLUMN build.fresh_share IS 'PBF: share of fresh powder, 0 to 1 [-]';
COMMENT ON COLUMN build.layer_mm IS 'layer thickness [mm]';
COMMENT ON COLUMN build.part_file IS 'a part measured earlier';
COMMENT ON COLUMN build.part_volume_cm3 IS 'all parts together, as built [cm3]';
COMMENT ON COLUMN build.part_area_cm2 IS 'all parts together [cm2]';
COMMENT ON COLUMN build.support_volume_cm3 IS 'all supports together [cm3]';
COMMENT ON COLUMN build.support_contact_cm2 IS 'all supports together [cm2]';
COMMENT ON COLUMN build.height_mm IS 'height of the build with supports and raft [mm]';
COMMENT ON COLUMN build.packed_volume_cm3 IS 'PBF: volume of the powder cake [cm3]';
COMMENT ON COLUMN build.announced_min IS 'print minutes that the machine or its preparation announced [min]';
COMMENT ON COLUMN build.material_g IS 'material used or announced [g]';
COMMENT ON COLUMN build.material_ml IS 'material used or announced [ml]';
COMMENT ON COLUMN build.layers IS 'number of layers [-]';
COMMENT ON COLUMN build.infill IS 'infill as set [-]';
COMMENT ON COLUMN build.nozzle_mm IS 'nozzle bore [mm]';
COMMENT ON COLUMN build.exposure_s IS 'exposure of a layer as set [s]';
COMMENT ON COLUMN build.difficulty IS 'plain, normal or intricate';
COMMENT ON COLUMN build.finish IS 'as_built, supports_off, blasted or sanded';
COMMENT ON COLUMN build.planned IS 'true for a build that has not run';
COMMENT ON COLUMN build.order_id IS 'orders it fulfils, joined by +';
COMMENT ON COLUMN build.quote_id IS 'quotes it fulfils, joined by +';
COMMENT ON COLUMN build.extra IS 'columns that calib does not know, as JSON, untouched';

CREATE TABLE build_history (
    row_key             VARCHAR NOT NULL,
    file_id             BIGINT NOT NULL,
    line                BIGINT NOT NULL,
    raw_hash            UBIGINT NOT NULL,
    build_id            VARCHAR,
    process             VARCHAR,
    machine             VARCHAR,
    parts               DOUBLE,
    material            VARCHAR,
    material_lot        VARCHAR,
    fresh_share         DOUBLE,
    layer_mm            DOUBLE,
    part_file           VARCHAR,
    part_volume_cm3     DOUBLE,
    part_area_cm2       DOUBLE,
    support_volume_cm3  DOUBLE,
    support_contact_cm2 DOUBLE,
    height_mm           DOUBLE,
    packed_volume_cm3   DOUBLE,
    announced_min       DOUBLE,
    material_g          DOUBLE,
    material_ml         DOUBLE,
    layers              DOUBLE,
    infill              DOUBLE,
    nozzle_mm           DOUBLE,
    exposure_s          DOUBLE,
    difficulty          VARCHAR,
    finish              VARCHAR,
    planned             BOOLEAN,
    order_id            VARCHAR,
    quote_id            VARCHAR,
    extra               VARCHAR,
    replaced_by         BIGINT NOT NULL
);
COMMENT ON TABLE  build_history IS 'Builds of machines; rows that a correction replaced';
COMMENT ON COLUMN build_history.row_key IS 'what makes two rows the same row; importing twice adds nothing';
COMMENT ON COLUMN build_history.file_id IS 'log_file that it was read from';
COMMENT ON COLUMN build_history.line IS 'line or row in that file, counted from 1';
COMMENT ON COLUMN build_history.raw_hash IS 'digest of the row as it stood in the file: recognises a repeat at once';
COMMENT ON COLUMN build_history.build_id IS 'id of the build in the shop';
COMMENT ON COLUMN build_history.process IS 'process code of ISO/ASTM 52900: MEX, VPP or PBF';
COMMENT ON COLUMN build_history.machine IS 'machine it runs on';
COMMENT ON COLUMN build_history.parts IS 'number of parts in the build [-]';
COMMENT ON COLUMN build_history.material IS 'material id';
COMMENT ON COLUMN build_history.material_lot IS 'lot of the material';
COMMENT ON COLUMN build_history.fresh_share IS 'PBF: share of fresh powder, 0 to 1 [-]';
COMMENT ON COLUMN build_history.layer_mm IS 'layer thickness [mm]';
COMMENT ON COLUMN build_history.part_file IS 'a part measured earlier';
COMMENT ON COLUMN build_history.part_volume_cm3 IS 'all parts together, as built [cm3]';
COMMENT ON COLUMN build_history.part_area_cm2 IS 'all parts together [cm2]';
COMMENT ON COLUMN build_history.support_volume_cm3 IS 'all supports together [cm3]';
COMMENT ON COLUMN build_history.support_contact_cm2 IS 'all supports together [cm2]';
COMMENT ON COLUMN build_history.height_mm IS 'height of the build with supports and raft [mm]';
COMMENT ON COLUMN build_history.packed_volume_cm3 IS 'PBF: volume of the powder cake [cm3]';
COMMENT ON COLUMN build_history.announced_min IS 'print minutes that the machine or its preparation announced [min]';
COMMENT ON COLUMN build_history.material_g IS 'material used or announced [g]';
COMMENT ON COLUMN build_history.material_ml IS 'material used or announced [ml]';
COMMENT ON COLUMN build_history.layers IS 'number of layers [-]';
COMMENT ON COLUMN build_history.infill IS 'infill as set [-]';
COMMENT ON COLUMN build_history.nozzle_mm IS 'nozzle bore [mm]';
COMMENT ON COLUMN build_history.exposure_s IS 'exposure of a layer as set [s]';
COMMENT ON COLUMN build_history.difficulty IS 'plain, normal or intricate';
COMMENT ON COLUMN build_history.finish IS 'as_built, supports_off, blasted or sanded';
COMMENT ON COLUMN build_history.planned IS 'true for a build that has not run';
COMMENT ON COLUMN build_history.order_id IS 'orders it fulfils, joined by +';
COMMENT ON COLUMN build_history.quote_id IS 'quotes it fulfils, joined by +';
COMMENT ON COLUMN build_history.extra IS 'columns that calib does not know, as JSON, untouched';
COMMENT ON COLUMN build_history.replaced_by IS 'log_file whose row replaced it';
