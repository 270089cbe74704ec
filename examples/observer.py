"""An observer: follows a set by reading what the controller publishes, and sends nothing.

Needs no part of ebbset, only the topics; the payloads are described in ``contract/``. Ends after one set.

    python examples/observer.py north 127.0.0.1 1883
"""

from __future__ import annotations

import asyncio
import json
import sys
from typing import Any

import aiomqtt


def sentence(topic: str, m: dict[str, Any]) -> str | None:
    """One line for a person, or None if there is nothing to show.

    Args:
        topic: without the rig's part, such as ``ctl/decision``.
        m: the decoded message.
    """
    if topic == "ctl/decision":
        numbers = ", ".join(f"{q['name']} {q['value']:.3g}" for q in m["inputs"] if q["value"] is not None)
        loads = f"{m['from_n']} -> {m['to_n']} N" if m["from_n"] != m["to_n"] else f"{m['to_n']} N"
        return f"{m['action']} ({m['reason']}) {loads}: {m['text']}" + (f" [{numbers}]" if numbers else "")
    if topic == "ctl/repetition":
        budget = "" if m["budget_spent"] is None else f", budget spent {m['budget_spent']:.0%}"
        return (
            f"repetition {m['index']} {m['outcome']} at {m['load_n']:.0f} N, {m['mean_velocity_m_s']:.2f} m/s{budget}"
        )
    if topic == "ctl/result":
        return f"set over ({m['reason']}): {m['repetitions']} repetitions, {m['drops']} drops. {m['text']}"
    return None


async def watch(rig: str, host: str, port: int) -> None:
    """Print one set as it happens.

    Args:
        rig: name of the rig.
        host: of the broker.
        port: of the broker.
    """
    root = f"ebbset/v1/{rig}/"
    state = ""
    async with aiomqtt.Client(host, port) as client:
        await client.subscribe(root + "ctl/#", qos=1)
        print(f"watching {rig}", flush=True)
        async for message in client.messages:
            topic = message.topic.value.removeprefix(root)
            told = json.loads(message.payload)
            if topic == "ctl/state" and told["state"] != state:
                state = told["state"]
                print(f"-- {state}", flush=True)
            line = sentence(topic, told)
            if line is not None:
                print(line, flush=True)
            if topic == "ctl/result":
                return


if __name__ == "__main__":
    if len(sys.argv) != 4:
        sys.exit("usage: python examples/observer.py RIG HOST PORT")
    try:
        asyncio.run(watch(sys.argv[1], sys.argv[2], int(sys.argv[3])))
    except aiomqtt.MqttError as error:
        sys.exit(f"broker {sys.argv[2]}:{sys.argv[3]}: {error}")
