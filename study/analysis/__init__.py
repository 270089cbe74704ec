"""The analysis of a study: mixed model, values for it from exported tables, power by simulation, the written plan."""
