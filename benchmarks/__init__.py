"""Timing claims, each a ratio measured side by side in one run; `python -m benchmarks` runs them all."""
