"""The DuckDB file; the only room that imports duckdb."""
