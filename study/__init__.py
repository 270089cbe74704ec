"""Floor 4: tools for researchers: schedules, blinding, rehearsal, fidelity, export.

May import simulators, controller and models.
"""
