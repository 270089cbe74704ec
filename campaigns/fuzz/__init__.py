"""Hostile input for everything that parses. ``python -m campaigns.fuzz`` runs the long form."""
