"""Figures about a running service: what is counted, and counting it beside the core. Nothing here decides anything."""
