"""The views of the page: sets at work, what was done, and logging in."""
