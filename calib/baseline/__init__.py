"""Physics: one file for each kind, and one for each process that adds them up into the minutes of each stage."""
