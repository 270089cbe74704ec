"""Identification: a rig's ramp, bandwidth, friction and delay, measured from outside and told with what they are worth.

`identify` moves the rig and puts the figures together, `fits` makes them from traces, `quantities` holds the types.
"""
