"""The command line: one short file for each command."""
