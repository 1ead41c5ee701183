"""Tables, charts, HTML pages; shows results, computes none."""
