"""Mutation testing of the rules that protect a lifter from a wrong load: each small change must fail a test.

Cosmic Ray makes most of the mutants but does not run them: on `controller.detection.ascent` its own local runner took
1.4 s of processor time a mutant (Cosmic Ray 8.7, the first 32 of its 432 mutants), because it starts Python and pytest
for each of them, and the runner here took 0.19 s with the same tests (32 of 218 mutants, preparation included). It also
changes the module on disk, so that a run that is cut off leaves a mutant behind, and the runner here changes no file.
"""
