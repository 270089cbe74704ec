"""Many rigs, one service: a supervisor and a few worker processes, each of which serves many rigs in one event loop.

The supervisor holds no rig. It reads the settings, starts workers, watches that they report, and begins one that died
or hangs again, un-armed. A rig is served by one worker, with the same core, recording and requests as when it is served
alone (`ebbset.controller.service`).
"""
