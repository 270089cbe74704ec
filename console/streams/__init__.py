"""A set beside other instruments: samples and decisions as streams of the Lab Streaming Layer.

An observer reads the wire contract's topics and sends nothing on them; rig and controller neither know nor need it.
`clock_alignment` brings the rig's clock onto that of the layer, `stream_bridge` turns messages into samples and
markers, `outlets` is the only module that knows the layer (extra ``streams``), `observer` listens over MQTT.
"""

from __future__ import annotations
