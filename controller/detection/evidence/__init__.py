"""Evidence about an ascent before it ends, and the classifiers that score it.

`stall_evidence` is strength against load along the range, for the rule "evidence"; `habit_evidence` compares with what
this person did earlier in the set, for the rule "habits". Both are an `AscentEvidence`, which calls a stall once its
score is high enough. The figures of their classifiers are modules of plain numbers.
"""
