"""Charts on one-step-ahead errors, dates of change, where a change comes from."""
