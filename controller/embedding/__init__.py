"""The set controller inside somebody else's program: a driver's callbacks become events, commands become calls."""
