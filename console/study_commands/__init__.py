"""Commands of ``ebbset study``: from planning and sealed sessions to what was carried out."""
