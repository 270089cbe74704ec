"""The page for the browser: one more client of the broker, with views for lifter, coach and room, and for afterwards.

``access`` is the gate, ``rigs`` what is known of rigs, ``views`` what is shown; `server` runs it all.
"""
