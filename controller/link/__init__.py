"""MQTT: the connection to one rig, bounded mailboxes, settings, and the written form of the wire contract.

Sockets live here; decisions never do.
"""
