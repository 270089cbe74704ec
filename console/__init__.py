"""Room 4: what people look at: the command line, the live view and the report. May import all rooms below."""
