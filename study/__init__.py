"""Floor 4: what a researcher does: schedules, blinding, rehearsal, fidelity, export.

May import simulators, controller and models.
"""
