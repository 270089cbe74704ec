"""Rows: what a store is told of sets, sessions and reports, and what it tells."""
