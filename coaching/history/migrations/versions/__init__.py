"""One module for each version of the tables, in the order of their numbers; none is changed after its release."""
