-- 015_add_number_to_review.sql
-- A person answers a mark by its number, says what the minutes were, and judges the row as it stood: a corrected row is asked again.

ALTER TABLE review ADD COLUMN mark_id BIGINT;
ALTER TABLE review ADD COLUMN judged VARCHAR;
ALTER TABLE review ADD COLUMN verdict_min DOUBLE;
UPDATE review SET mark_id = rowid + 1;
COMMENT ON COLUMN review.mark_id IS 'number of the mark';
COMMENT ON COLUMN review.judged IS 'times and minutes of the run when it was marked; empty: marked by an older version';
COMMENT ON COLUMN review.verdict_min IS 'minutes that it took, where the person knows better than the row [min]';
COMMENT ON COLUMN review.verdict IS 'right, mended, wrong (left out) or empty: not looked at yet';
