"""Floor 4: what a coach does over days: profiles that learn, plans, what sets were probably worth, people's data.

May import simulators, controller and models. Nothing is shown here; the console shows.
"""
