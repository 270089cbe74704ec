"""Simulated lifters and rigs against what is published, each row with its source and its error."""
