"""Comparisons with engines that were not written here."""
