"""``ebbset history``: what a lifter did and what changed over weeks, as table, page and picture; keeping the store."""
