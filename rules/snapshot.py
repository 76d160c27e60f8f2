"""What an engine writes down of its state, and goes on from."""

from dataclasses import dataclass

from rules.alarms.alarm import Alarm
from rules.care.probe_care import ProbeCare
from rules.judging.series import ChannelState
from rules.judging.silence import SourceState
from rules.judging.unwatched import Hidden
from rules.rack.plan import RackPlan
from rules.rack.state import RackState


@dataclass(frozen=True, slots=True)
class Kept:
    """What a snapshot holds beside its version."""

    plan: RackPlan
    clock_ms: int
    alarms: tuple[Alarm, ...]
    last_number: int
    rack: RackState
    care: ProbeCare
    sources: dict[int, SourceState]
    channels: dict[str, ChannelState]
    unwatched: dict[str, Hidden]
