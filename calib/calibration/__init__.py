"""Actual over baseline -> a correction with ranges. Knows frames and numbers, not files, databases or printing."""
