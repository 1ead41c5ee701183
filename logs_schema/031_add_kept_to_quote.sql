-- 031_add_kept_to_quote.sql
-- A look is not a quote: an answer that nobody keeps, accepts, sends or builds is listed and scored nowhere, and goes.
-- Those that were stored before count as kept.

ALTER TABLE quote ADD COLUMN kept_at TIMESTAMP;
ALTER TABLE quote ADD COLUMN valid_until DATE;
COMMENT ON COLUMN quote.kept_at IS 'when it was kept, sent on a sheet or accepted [UTC]; empty: a look';
COMMENT ON COLUMN quote.valid_until IS 'last day on which it stands, in the zone of the shop; a look is taken off some time after';
UPDATE quote SET kept_at = quoted_at;
