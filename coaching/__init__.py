"""Floor 4: what a coach does over days: profiles that learn, plans, the estimated worth of sets, people's data.

May import simulators, controller and models. Nothing is shown here; the console shows.
"""
