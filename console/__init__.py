"""Floor 5: the user interface: commands, reports, the live view. May import every room below."""
