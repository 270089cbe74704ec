"""Reports of recorded sets and comparisons: page, terminal tables, figures."""
