"""``ebbset request --wait``: asks until broker, controller and rig are there; any other refusal is the answer."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from ebbset.console.exits import CommandError, Exit
from ebbset.console.live import operator_client
from ebbset.console.live.operator_client import NOT_THERE, ask_until_there
from ebbset.models.contract.operator_messages import OperatorAnswer


def answer(code: str, *, accepted: bool = False) -> OperatorAnswer:
    return OperatorAnswer(correlation_id="12345678", accepted=accepted, code=code, message="", state="idle")


class Script:
    """Answers in order; an exit code stands for an error with it."""

    def __init__(self, *answers: OperatorAnswer | Exit) -> None:
        self._answers: Iterator[OperatorAnswer | Exit] = iter(answers)
        self.asked = 0

    async def ask(self) -> OperatorAnswer:
        self.asked += 1
        found = next(self._answers)
        if isinstance(found, Exit):
            raise CommandError("nobody there", found)
        return found


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(operator_client, "ASK_AGAIN_S", 0.001)


async def test_it_asks_again_until_broker_controller_and_rig_are_there() -> None:
    script = Script(
        Exit.UNREACHABLE,
        *(answer(code) for code in sorted(NOT_THERE)),
        Exit.UNREACHABLE,
        answer("armed", accepted=True),
    )
    assert (await ask_until_there(script.ask, 60.0)).accepted
    assert script.asked == 3 + len(NOT_THERE)


@pytest.mark.parametrize("code", ["handle_not_docked", "above_rig_maximum", "not_while_working"])
async def test_any_other_refusal_is_the_answer(code: str) -> None:
    script = Script(answer(code), answer("armed", accepted=True))
    assert (await ask_until_there(script.ask, 60.0)).code == code
    assert script.asked == 1


async def test_without_wait_it_asks_once() -> None:
    script = Script(answer("rig_offline"), answer("armed", accepted=True))
    assert (await ask_until_there(script.ask, 0.0)).code == "rig_offline"
    with pytest.raises(CommandError):
        await ask_until_there(Script(Exit.UNREACHABLE, answer("armed", accepted=True)).ask, 0.0)


async def test_an_error_that_waiting_cannot_mend_is_not_waited_for() -> None:
    script = Script(Exit.BAD_INPUT, answer("armed", accepted=True))
    with pytest.raises(CommandError):
        await ask_until_there(script.ask, 60.0)
    assert script.asked == 1


async def test_the_time_ends_it() -> None:
    async def never() -> OperatorAnswer:
        raise CommandError("nobody there", Exit.UNREACHABLE)

    with pytest.raises(CommandError, match="nobody there"):
        await ask_until_there(never, 0.05)
