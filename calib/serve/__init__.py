"""The local page: ask, bench, Monday, floor. Every answer comes from the workflow functions that the commands call."""
