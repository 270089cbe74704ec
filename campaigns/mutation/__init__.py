"""Mutation testing of the rules that protect a lifter from a wrong load: each small change must fail a test."""
