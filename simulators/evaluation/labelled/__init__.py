"""Sets whose truth somebody labelled, people's above all: the door through which other people's data come in.

Tables of labels and their agreement, position series of any encoder, what ebbset says of a set, and both held against
each other with the statistics that judge simulated sets, with intervals over people.
"""
