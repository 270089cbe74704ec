"""Hostile input thrown at everything that reads. ``python -m campaigns.fuzz`` runs the long form."""
