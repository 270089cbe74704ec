"""What travels from sites to a centre: reports of sets over MQTT into a store, and recordings to a URL.

Control stays beside the rig: nothing here sends anything to a site, and a site works without it. Whatever is repeated,
reordered or broken off on the way leaves the same rows and files.
"""
