"""How soon mean force gives away a rig whose load or force is not what it says, and how often it cries wolf."""
