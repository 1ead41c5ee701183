-- 037_add_enclosed_to_part.sql
-- Draining resin and clearing powder hang on what a part encloses: a build's row takes it from the part.

ALTER TABLE part ADD COLUMN enclosed DOUBLE[];
COMMENT ON COLUMN part.enclosed IS 'what one part encloses: sealed hollows [cm3], open hollows [cm3], width of their openings [mm], the hollow that drains last [cm3], width [mm] and area [mm2] of its openings, narrow passages [cm3], what does not run out standing and hanging [cm3]; NULL: measured before hollows were';
