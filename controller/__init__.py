"""Floor 2: the set controller with its guard, detection, estimation and policies, and the thin shells around them.

The core is pure; only `link`, `recording` and `service` hold sockets, files and clocks. May import models.
"""
