"""What only developers of ebbset run: faults, fuzzing, soak, fits, and comparisons with other people's engines.

Not in the wheel. Each has a short form in the suite and a long form behind a target of the Makefile.
"""
