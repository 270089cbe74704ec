"""The controller's judgement against the simulator's truth: stalls, drops, estimates and budgets, on unseen people."""
