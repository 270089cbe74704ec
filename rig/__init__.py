"""Floor 2: a rig's side of the contract, ready made. An integrator adds four functions; `docs/rig-side.md` shows how.

Pure: `description`, `command_rules`, `rig_core`, `rig_messages`, `endpoint`, `load_ramp`, `hardware`, `rig_cycle`.
Shells: `rig_connection` (MQTT), `rig_server` (clock), `rig_log`. May import models. The conformance kit, which judges
rigs, shares nothing with it but the contract.
"""
