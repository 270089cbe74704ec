"""The live view of a set, the operator's requests, and the demonstration."""
