"""A log file -> clean rows and rows set aside."""
