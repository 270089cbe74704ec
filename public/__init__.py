"""Public names of ebbset: what `docs/api.md` lists, and nothing else.

A public name changes only with an entry in the changelog, and goes only after a release in which using it warns. Every
other name is private, whatever module it is in, and may change at any time.

Nothing is loaded before it is asked for (PEP 562), so that importing this, or the controller through it, stays light.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from ebbset.controller.embedding.driver import EmbeddedRig as EmbeddedRig
    from ebbset.controller.embedding.driver import LoadDriver as LoadDriver
    from ebbset.controller.embedding.embedded_controller import EmbeddedController as EmbeddedController
    from ebbset.controller.link.settings import BrokerSettings as BrokerSettings
    from ebbset.controller.messages.actions import Answer as Answer
    from ebbset.controller.messages.actions import Command as Command
    from ebbset.controller.messages.actions import Decision as Decision
    from ebbset.controller.messages.actions import Output as Output
    from ebbset.controller.messages.actions import RepetitionRecord as RepetitionRecord
    from ebbset.controller.messages.actions import SendArm as SendArm
    from ebbset.controller.messages.actions import SendLoad as SendLoad
    from ebbset.controller.messages.actions import SendRelease as SendRelease
    from ebbset.controller.messages.actions import SendUnload as SendUnload
    from ebbset.controller.messages.actions import SetResult as SetResult
    from ebbset.controller.messages.actions import StateChanged as StateChanged
    from ebbset.controller.messages.events import Acknowledged as Acknowledged
    from ebbset.controller.messages.events import BadInput as BadInput
    from ebbset.controller.messages.events import Event as Event
    from ebbset.controller.messages.events import LinkDown as LinkDown
    from ebbset.controller.messages.events import LinkUp as LinkUp
    from ebbset.controller.messages.events import RepetitionSeen as RepetitionSeen
    from ebbset.controller.messages.events import Requested as Requested
    from ebbset.controller.messages.events import RigAnnounced as RigAnnounced
    from ebbset.controller.messages.events import RigLost as RigLost
    from ebbset.controller.messages.events import RigReported as RigReported
    from ebbset.controller.messages.events import Samples as Samples
    from ebbset.controller.messages.events import Tick as Tick
    from ebbset.controller.messages.reasons import AnswerCode as AnswerCode
    from ebbset.controller.messages.reasons import Reason as Reason
    from ebbset.controller.messages.reasons import State as State
    from ebbset.controller.policies.checker import PolicyFinding as PolicyFinding
    from ebbset.controller.policies.checker import check_policy as check_policy
    from ebbset.controller.policies.policy import DropPolicy as DropPolicy
    from ebbset.controller.policies.policy import DropView as DropView
    from ebbset.controller.policies.policy import PolicyFactory as PolicyFactory
    from ebbset.controller.policies.policy import Proposal as Proposal
    from ebbset.controller.policies.policy import number_parameter as number_parameter
    from ebbset.controller.policies.policy import reject_unknown as reject_unknown
    from ebbset.controller.recording.reader import BadRecordingError as BadRecordingError
    from ebbset.controller.recording.reader import Handled as Handled
    from ebbset.controller.recording.reader import Recording as Recording
    from ebbset.controller.recording.reader import read_recording as read_recording
    from ebbset.controller.recording.replay import Difference as Difference
    from ebbset.controller.recording.replay import ReplayReport as ReplayReport
    from ebbset.controller.recording.replay import Verdict as Verdict
    from ebbset.controller.recording.replay import replay as replay
    from ebbset.controller.regulation.set_controller import SetController as SetController
    from ebbset.controller.service.policy_registry import load_policies as load_policies
    from ebbset.models.contract.operator_messages import RequestAction as RequestAction
    from ebbset.models.contract.prescription import Prescription as Prescription
    from ebbset.models.contract.problems import BadDocumentError as BadDocumentError
    from ebbset.models.contract.profile import LifterProfile as LifterProfile
    from ebbset.models.contract.rig_messages import Refusal as Refusal
    from ebbset.models.contract.rig_messages import RepetitionOutcome as RepetitionOutcome
    from ebbset.models.contract.rig_messages import RigEventKind as RigEventKind
    from ebbset.rig.description import RigDescription as RigDescription
    from ebbset.rig.description import RigLimits as RigLimits
    from ebbset.rig.hardware import RigHardware as RigHardware
    from ebbset.rig.hardware import SensorReading as SensorReading
    from ebbset.rig.rig_server import RigFaultError as RigFaultError
    from ebbset.rig.rig_server import serve_rig as serve_rig
    from ebbset.simulators.closed_loop.closed_loop import run_set as run_set
    from ebbset.simulators.closed_loop.simulated_set import LoopSettings as LoopSettings
    from ebbset.simulators.closed_loop.simulated_set import SetNotRunError as SetNotRunError
    from ebbset.simulators.closed_loop.simulated_set import SimulatedSet as SimulatedSet
    from ebbset.simulators.lifter.exercises import Exercise as Exercise
    from ebbset.simulators.lifter.exercises import exercise as exercise
    from ebbset.simulators.lifter.habits import Habits as Habits
    from ebbset.simulators.lifter.habits import draw_habits as draw_habits
    from ebbset.simulators.lifter.layout import Phase as Phase
    from ebbset.simulators.lifter.muscle_lifter import MuscleLifter as MuscleLifter
    from ebbset.simulators.lifter.protocol import Lifter as Lifter
    from ebbset.simulators.lifter.protocol import LifterBase as LifterBase
    from ebbset.simulators.lifter.protocol import LifterFactory as LifterFactory
    from ebbset.simulators.plant.rig_parameters import RigParameters as RigParameters
    from ebbset.simulators.population.lifter_checker import LifterFinding as LifterFinding
    from ebbset.simulators.population.lifter_checker import check_lifter as check_lifter
    from ebbset.simulators.population.strength_test import lift_once as lift_once
    from ebbset.simulators.population.strength_test import one_rm_n as one_rm_n

_HOMES: Final[dict[str, tuple[str, ...]]] = {
    "controller.embedding.driver": (
        "EmbeddedRig",
        "LoadDriver",
    ),
    "controller.embedding.embedded_controller": ("EmbeddedController",),
    "controller.link.settings": ("BrokerSettings",),
    "controller.messages.actions": (
        "Answer",
        "Command",
        "Decision",
        "Output",
        "RepetitionRecord",
        "SendArm",
        "SendLoad",
        "SendRelease",
        "SendUnload",
        "SetResult",
        "StateChanged",
    ),
    "controller.messages.events": (
        "Acknowledged",
        "BadInput",
        "Event",
        "LinkDown",
        "LinkUp",
        "RepetitionSeen",
        "Requested",
        "RigAnnounced",
        "RigLost",
        "RigReported",
        "Samples",
        "Tick",
    ),
    "controller.messages.reasons": (
        "AnswerCode",
        "Reason",
        "State",
    ),
    "controller.policies.checker": (
        "PolicyFinding",
        "check_policy",
    ),
    "controller.policies.policy": (
        "DropPolicy",
        "DropView",
        "PolicyFactory",
        "Proposal",
        "number_parameter",
        "reject_unknown",
    ),
    "controller.recording.reader": (
        "BadRecordingError",
        "Handled",
        "Recording",
        "read_recording",
    ),
    "controller.recording.replay": (
        "Difference",
        "ReplayReport",
        "Verdict",
        "replay",
    ),
    "controller.regulation.set_controller": ("SetController",),
    "controller.service.policy_registry": ("load_policies",),
    "models.contract.operator_messages": ("RequestAction",),
    "models.contract.prescription": ("Prescription",),
    "models.contract.problems": ("BadDocumentError",),
    "models.contract.profile": ("LifterProfile",),
    "models.contract.rig_messages": (
        "Refusal",
        "RepetitionOutcome",
        "RigEventKind",
    ),
    "rig.description": (
        "RigDescription",
        "RigLimits",
    ),
    "rig.hardware": (
        "RigHardware",
        "SensorReading",
    ),
    "rig.rig_server": (
        "RigFaultError",
        "serve_rig",
    ),
    "simulators.closed_loop.closed_loop": ("run_set",),
    "simulators.closed_loop.simulated_set": (
        "LoopSettings",
        "SetNotRunError",
        "SimulatedSet",
    ),
    "simulators.lifter.exercises": (
        "Exercise",
        "exercise",
    ),
    "simulators.lifter.habits": ("Habits", "draw_habits"),
    "simulators.lifter.layout": ("Phase",),
    "simulators.lifter.muscle_lifter": ("MuscleLifter",),
    "simulators.lifter.protocol": (
        "Lifter",
        "LifterBase",
        "LifterFactory",
    ),
    "simulators.plant.rig_parameters": ("RigParameters",),
    "simulators.population.lifter_checker": (
        "LifterFinding",
        "check_lifter",
    ),
    "simulators.population.strength_test": ("lift_once", "one_rm_n"),
}
_MODULES: Final = {name: f"ebbset.{module}" for module, names in _HOMES.items() for name in names}

if not TYPE_CHECKING:  # a type checker takes the names above, and would take any other from a __getattr__ that it sees
    __all__ = sorted(_MODULES)

    def __getattr__(name: str) -> Any:
        if name not in _MODULES:
            raise AttributeError(f"module 'ebbset' has no attribute {name!r}")
        try:
            value = getattr(import_module(_MODULES[name]), name)
        except ModuleNotFoundError as error:
            if (error.name or "").startswith("ebbset") or not _MODULES[name].startswith("ebbset.simulators."):
                raise
            raise ImportError(f"ebbset.{name} needs {error.name}; to install it: pip install 'ebbset[sim]'") from None
        globals()[name] = value
        return value

    def __dir__() -> list[str]:
        return __all__
