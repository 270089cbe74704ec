"""Mutation runs over the rules that stand between a lifter and a wrong load: each small change must fail a test."""
