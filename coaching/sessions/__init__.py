"""A coach's session: what is wished, the plan made of it, how far it has come, and what it teaches for the next set.

`session_file` is what a coach writes, `session_steps` what a plan makes of it: one step for each set that is armed.
`session_events` are what happens, `journal` keeps them in a file, and `progress` is the state machine that says from
them where the session stands; `remaining` fits what is left into the minutes that are left, and `next_load` brings
start loads up to date. Only `journal` opens files; nothing here reads a clock or draws a random number.
"""
