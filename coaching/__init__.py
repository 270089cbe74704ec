"""Floor 4: what a coach does over days: profiles that learn, plans, what sets were probably worth, a lifter's data.

May import simulators, controller and models. Nothing is displayed here; that is the console's job.
"""
