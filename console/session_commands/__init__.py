"""Commands for sessions: check, plan, run, report."""
