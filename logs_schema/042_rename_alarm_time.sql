-- 042_rename_alarm_time.sql
-- A chart signals an alarm; that and what was first reported are named in the words of the field.

ALTER TABLE drift_alarm RENAME COLUMN cried_at TO signalled_at;
COMMENT ON COLUMN drift_alarm.since IS 'day of the change as first reported; another one once the estimate leaves its range';
COMMENT ON COLUMN drift_alarm.change_pct IS 'size of the change as first reported, positive when slower [%]';
COMMENT ON COLUMN drift_alarm.known_since IS 'last logged end of the look that first reported it [UTC]; empty: never reported';
