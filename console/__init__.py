"""Floor 5: what people look at: commands, reports, the live view. May import every room below."""
