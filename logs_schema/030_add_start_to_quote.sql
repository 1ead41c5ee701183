-- 030_add_start_to_quote.sql
-- When the work of an accepted quote may begin: its file is approved later than today, or its material comes later.

ALTER TABLE quote ADD COLUMN start_at TIMESTAMP;
COMMENT ON COLUMN quote.start_at IS 'not before this time may its work begin, as agreed when it was accepted [UTC]; empty: the start in its document';
