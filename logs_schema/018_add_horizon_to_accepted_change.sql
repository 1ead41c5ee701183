-- 018_add_horizon_to_accepted_change.sql
-- An accepted change is the plan up to the last log known then, not up to the wall clock; and it can be taken back.

ALTER TABLE accepted_change ADD COLUMN known_until TIMESTAMP;
ALTER TABLE accepted_change ADD COLUMN undone_at TIMESTAMP;
COMMENT ON COLUMN accepted_change.known_until IS 'last logged end when it was accepted: what cried up to then is accepted [UTC]';
COMMENT ON COLUMN accepted_change.undone_at IS 'when the acceptance was taken back; empty while it stands [UTC]';
