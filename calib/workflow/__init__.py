"""Short stories over the rooms: import logs, fit, quote, check drift, write the report."""
