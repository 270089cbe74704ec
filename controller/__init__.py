"""Room 2: the set regulator, its estimators and policies, the guard, and the thin shells around them.

The core is pure; the shells (`link`, `recorder`, `serve`) hold every socket, file and clock. May import models.
"""
