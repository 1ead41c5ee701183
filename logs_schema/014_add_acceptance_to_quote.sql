-- 014_add_acceptance_to_quote.sql
-- What was agreed when a quote was accepted, and how its finished parts are found again in the logs.

ALTER TABLE quote ADD COLUMN chance DOUBLE;
ALTER TABLE quote ADD COLUMN note VARCHAR;
ALTER TABLE quote ADD COLUMN order_id VARCHAR;
ALTER TABLE quote ADD COLUMN hurried BOOLEAN;
ALTER TABLE quote ADD COLUMN stated_ready_at TIMESTAMP;
COMMENT ON COLUMN quote.chance IS 'chance that the promised time had when it was promised, 0 to 1 [-]';
COMMENT ON COLUMN quote.note IS 'what a person noted when it was accepted';
COMMENT ON COLUMN quote.order_id IS 'order that it became: builds and runs of that order fulfil it';
COMMENT ON COLUMN quote.hurried IS 'its builds go before planned ones that have not begun';
COMMENT ON COLUMN quote.stated_ready_at IS 'when a person said that its parts were ready, where no packing is logged [UTC]';
