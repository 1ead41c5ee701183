"""Many sites of one company: each site's work is one task of an engine, and what they know together."""
