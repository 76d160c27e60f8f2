"""What is now: the shape that every screen draws, and that `bellwatch status --json` prints.

Times are UTC milliseconds (`*_ms`), ages and lengths of time seconds (`*_s`), values in the unit that
stands beside them. None stands for what is not known, or does not apply; a `why` is in words.
"""

from dataclasses import dataclass
from enum import StrEnum

from daemon.machine import MachineReading
from rules.judging.watched import Watched


class Overall(StrEnum):
    """How the rack is in a word, the worst that holds; `well` only where all that is asked for is watched."""

    NOT_WATCHED = "not watched"
    ALARM = "alarm"
    PARTLY_UNWATCHED = "partly unwatched"
    ALARMS_HELD = "alarms held"
    WELL = "well"


class WatchState(StrEnum):
    """Whether the watch lives; a hung one holds the journal but no longer finishes its turns."""

    ALIVE = "alive"
    HUNG = "hung"
    DEAD = "dead"
    NEVER = "never"


OF_THE_WATCH = "the watch is "
"""How a reason begins that holds for the whole rack: screens say it once, where they say how the watch is."""


@dataclass(frozen=True, slots=True)
class WatchNow:
    """The watch itself: its state since when, and for how long now it has not finished a turn."""

    state: WatchState
    since_ms: int | None
    age_s: float | None


@dataclass(frozen=True, slots=True)
class LimitsNow:
    """The limits in force, where they are on a ramp; the places are those of the advisory limits."""

    target: float | None
    advisory_low: float | None
    advisory_high: float | None
    critical_low: float | None
    critical_high: float | None
    advisory_low_place: float | None
    advisory_high_place: float | None


@dataclass(frozen=True, slots=True)
class Reaching:
    """Which limit the trend would cross next, its value, and when."""

    limit: str
    value: float
    at_ms: int


@dataclass(frozen=True, slots=True)
class OtherwiseNow:
    """What the raw number would be, in the unit of what its probe measures, if the probe sends it so."""

    value: float
    as_what: str


@dataclass(frozen=True, slots=True)
class RawNow:
    """What the probe sent, in the unit of what it measures; where no water is so, what else it would be."""

    value: float
    quantity: str
    unit: str
    otherwise: tuple[OtherwiseNow, ...]


@dataclass(frozen=True, slots=True)
class ChannelNow:
    """A channel: `value` is None where there is none to go by, and `why` says what is the matter with it.

    `lack` says so in a word: silent, never read, unknown; empty where there is a value. `place` is where
    the value stands in the stage's tolerance: 0 at the target, -1 and 1 at the outermost limits.
    `raw` is given where the value is not believed or none could be made of it, and where the probe is
    calibrated, so that it sends another number.
    `trend_tells` is whether the trend is worth a look (a tenth of what the stage tolerates, or a limit
    within its lead time). `priority` is that of the worst alarm that stands here.
    """

    name: str
    vessel: str
    quantity: str
    unit: str
    probe: str
    value: float | None
    lack: str
    uncertainty: float | None
    limits: LimitsNow | None
    place: float | None
    trend_per_hour: float | None
    trend_tells: bool
    reaching: Reaching | None
    time_ms: int | None
    age_s: float | None
    flag: str
    why: str
    watched: Watched
    priority: str | None
    raw: RawNow | None


@dataclass(frozen=True, slots=True)
class Unwatched:
    """What a vessel's stage asks for and nobody watches, with the priority of the worst that it hides."""

    quantity: str
    why: str
    since_ms: int | None
    priority: str


@dataclass(frozen=True, slots=True)
class AlarmNow:
    """An alarm that is not normal; `value` is that of its newest evidence, `limit` its worst.

    `stands` is whether its condition lasts now, held or not; `doubt_now` is why `value_now` is not believed
    (empty: it is); while nobody watches there is none.
    `held_by` is what keeps it from people (service, shelf, maintenance, explained), with who, why and
    until when; `leader` is the alarm that explains it, `followers` are those that it explains.
    `acknowledged_by` and `who_has_it` are people, where they are known.
    """

    name: str
    vessel: str
    vessels: tuple[str, ...]
    channel: str
    quantity: str
    unit: str
    condition: str
    priority: str
    state: str
    stands: bool
    since_ms: int
    cause: str
    leader: str | None
    followers: tuple[str, ...]
    held_by: str | None
    held_who: str
    held_why: str
    held_until_ms: int | None
    acknowledged_by: str | None
    acknowledged_ms: int | None
    value: float | None
    value_now: float | None
    doubt_now: str
    limit: float | None
    limit_from: str
    rate_per_hour: float | None
    reached_ms: int | None
    reason: str
    who_has_it: str | None
    first_check: str | None


@dataclass(frozen=True, slots=True)
class StageNow:
    """The life stage in a vessel: while on a ramp, from which stage and until when; the next planned one."""

    name: str
    since_ms: int | None
    ramp_from: str | None
    ramp_until_ms: int | None
    next_name: str | None
    next_at_ms: int | None


@dataclass(frozen=True, slots=True)
class EntryNow:
    """What somebody wrote down of a vessel, in words; `number` is None for maintenance.

    `corrects` is the number of the entry that it puts right.
    """

    number: int | None
    kind: str
    at_ms: int
    who: str
    text: str
    corrects: int | None


@dataclass(frozen=True, slots=True)
class VesselNow:
    """A vessel; `kind` and `label` are those of the settings file, `entries` its newest of a week."""

    name: str
    label: str | None
    kind: str | None
    stage: StageNow
    maintenance_until_ms: int | None
    channels: tuple[ChannelNow, ...]
    alarms: tuple[str, ...]
    unwatched: tuple[Unwatched, ...]
    entries: tuple[EntryNow, ...]


@dataclass(frozen=True, slots=True)
class MaintenanceNow:
    """What is under maintenance (vessel/NAME or bus/NAME), and until when."""

    target: str
    until_ms: int


@dataclass(frozen=True, slots=True)
class CalibrationNow:
    """A probe's quantity: its newest calibration, when the next is due, and whether that is past."""

    quantity: str
    newest_ms: int | None
    due_ms: int | None
    overdue: bool


@dataclass(frozen=True, slots=True)
class DriftNow:
    """A channel that walks away from hand checks: how much it reads high, over how many, by which rule."""

    channel: str
    reads_high_by: float
    checks: int
    rule: str


@dataclass(frozen=True, slots=True)
class ProbeNow:
    """A probe: where it is, when it was last heard, whether it is silent, and how it is cared for."""

    name: str
    bus: str
    vessel: str
    last_heard_ms: int | None
    silent: bool
    calibrations: tuple[CalibrationNow, ...]
    drifts: tuple[DriftNow, ...]


@dataclass(frozen=True, slots=True)
class TroubleNow:
    """What goes wrong with a probe, or its bus where there is no probe, in words; how often since when."""

    bus: str
    probe: str | None
    kind: str
    what: str
    times: int
    first_ms: int
    last_ms: int


@dataclass(frozen=True, slots=True)
class SaidNow:
    """What the watch had to say of the rack itself lately: the newest of its kind, in words."""

    kind: str
    at_ms: int
    text: str


@dataclass(frozen=True, slots=True)
class ClockNow:
    """Whether times can be trusted; if not, from when on they are a guess."""

    synchronised: bool
    guessed_from_ms: int | None


@dataclass(frozen=True, slots=True)
class JournalNow:
    """The journal: its newest entry, its size, room on its disk.

    Numbers are given out under `run`. `log_bytes` is its write-ahead log, of which `log_held` says that
    it has grown because some program reads the journal and does not end. `settings_differ` where the
    watch does not go by what the settings file says now. `age_s`: None if this clock is behind.
    """

    id: str
    run: str
    newest_ms: int
    age_s: float | None
    bytes: int
    log_bytes: int
    log_held: bool
    disk_free_bytes: int
    disk_full: bool
    settings_differ: bool


@dataclass(frozen=True, slots=True)
class Refusal:
    """A topic on which the broker refused messages, and its words."""

    topic: str
    why: str


@dataclass(frozen=True, slots=True)
class BrokerNow:
    """How many messages wait for the broker, which of them it refused, and whether it carries anything.

    The link lives (`alive`, None: not known) while what we say comes back. `rival` is another rack under
    our name, with the journal and the machine; empty where there is none.
    """

    waiting: int
    refused: int
    refusals: tuple[Refusal, ...]
    alive: bool | None
    since_ms: int | None
    rival: str


@dataclass(frozen=True, slots=True)
class UntakenNow:
    """An alarm that no on-call process has taken on within its time; it stands since `since_ms`."""

    alarm: str
    since_ms: int


@dataclass(frozen=True, slots=True)
class OnCallNow:
    """The on-call process that was heard last (`by`: name and host; empty: none), what it has not taken.

    Who is `on_call` is as it said last (empty: it did not), `until_ms` when (None: always), and who `then`.
    """

    by: str
    alive: bool
    since_ms: int | None
    untaken: tuple[UntakenNow, ...]
    on_call: str
    until_ms: int | None
    then: str


@dataclass(frozen=True, slots=True)
class MirrorNow:
    """How far the mirror is behind, up to when it has everything, and what is in its way (empty: nothing)."""

    readings_behind: int
    events_behind: int
    taken_ms: int | None
    trouble: str
    refused: int
    last_refusal: str


@dataclass(frozen=True, slots=True)
class RackNow:
    """The rack at one moment: vessels and alarms worst first, channels of no vessel, the watch itself.

    `troubles` are those on the buses within the last day, the newest last; `said` is of the last week;
    `machine` is what the machine of the watch says of itself, each with its limit.
    """

    rack: str
    made_ms: int
    time_zone: str
    overall: Overall
    watch: WatchNow
    vessels: tuple[VesselNow, ...]
    rack_wide: tuple[ChannelNow, ...]
    alarms: tuple[AlarmNow, ...]
    maintenance: tuple[MaintenanceNow, ...]
    probes: tuple[ProbeNow, ...]
    troubles: tuple[TroubleNow, ...]
    said: tuple[SaidNow, ...]
    clock: ClockNow
    journal: JournalNow
    broker: BrokerNow
    oncall: OnCallNow | None
    mirror: MirrorNow | None
    machine: tuple[MachineReading, ...]
