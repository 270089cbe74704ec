"""A set while it happens: the live view, a person's requests, and the demonstration."""
