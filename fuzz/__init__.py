"""Hostile input: what anybody could send, thrown at everything that reads. ``python -m fuzz`` runs the long form."""
