"""What the on-call fold takes in and gives out: a rack's word on an alarm, and calls to people."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum

from rules.alarms.event import AlarmEvent, Trail
from rules.alarms.life_cycle import Priority, State, Trigger
from rules.care.rationale import Record

RACK_SILENT = "rack_silent"
RACK_STOPPED = "rack_stopped"
BROKER_LOST = "broker_lost"
UNREADABLE = "unreadable"
TWO_RACKS = "two_racks"
TWO_LISTENERS = "two_listeners"
RACK_RESTARTS = "rack_restarts"
WATCHER_MISSING = "watcher_missing"
DISK_FULL = "disk full"
DRILL = "drill"
DRILL_LACKING = "drill_lacking"
WENT_BACK = "went_back"
TWO_DUTIES = "two_duties"
TWO_CALL = "two_call"
LET_GO = frozenset({Trigger.UNSHELVED, Trigger.RELEASED, Trigger.PUT_BACK})
"""Steps that end a hold: the alarm is over for the moment, but the water need not be well."""


class Stand(StrEnum):
    """What an alarm asks of people: it calls, somebody has seen it, it is silenced, it is over."""

    CALLS = "calls"
    SEEN = "seen"
    SILENCED = "silenced"
    OVER = "over"


_STANDS: Mapping[State, Stand] = {
    State.NORMAL: Stand.OVER,
    State.RETURNED: Stand.OVER,
    State.ACKNOWLEDGED: Stand.SEEN,
    State.LATCHED: Stand.SEEN,
    State.SHELVED: Stand.SILENCED,
    State.SUPPRESSED: Stand.SILENCED,
    State.OUT_OF_SERVICE: Stand.SILENCED,
}
"""What a state asks of people; every other one calls."""


def stand_of(state: State) -> Stand:
    """Return what an alarm in a state asks of people."""
    return _STANDS.get(state, Stand.CALLS)


@dataclass(frozen=True, slots=True)
class Voice:
    """Who speaks for a rack: its journal, the run under which that gives out numbers, the start of its
    machine, that machine's name. Empty where a rack of an older version does not say."""

    journal: str = ""
    run: str = ""
    boot: str = ""
    host: str = ""

    @property
    def key(self) -> str:
        """Return what tells a speaker from any other that speaks at the same time."""
        return f"{self.journal}:{self.boot}"

    @property
    def name(self) -> str:
        """Return the speaker in words."""
        return f"journal {self.journal[:6]} on {self.host[:20] or 'an unnamed machine'}"


@dataclass(frozen=True, slots=True)
class Word:
    """What a rack says: an event of an alarm in its `journal`, times as the rack has them.

    The number of the event was given out in the `run` of the journal, the word written after `boot`.
    `unit` is that of the evidence, whose numbers are as of `as_of_ms` (None: as of the event). A `mention` is
    worth knowing but no alarm: its event says what of (`vessel`) and which (`condition`), and its cause is
    the id by which a repeat is known. `stage` lives in its vessel; `record` is what its nursery wrote down
    of why the alarm exists.
    """

    rack: str
    event: AlarmEvent
    journal: str = ""
    unit: str = ""
    mention: bool = False
    run: str = ""
    boot: str = ""
    as_of_ms: int | None = None
    stage: str = ""
    record: Record | None = None

    @property
    def problem(self) -> str:
        """Return the name of the problem that the alarm belongs to."""
        return f"{self.rack}/{self.event.cause or self.event.alarm}"

    @property
    def is_drill(self) -> bool:
        """Return whether this is our own word on a drill: no rack's journal can say it."""
        return self.event.condition == DRILL and not self.journal and not self.mention

    @property
    def stand(self) -> Stand:
        """Return what the alarm asks of people."""
        return stand_of(self.event.state)


class Reply(StrEnum):
    """What somebody answers about a problem: all but the third end the calling for a while."""

    SEEN = "seen"
    ON_MY_WAY = "on my way"
    NEXT = "call the next person"
    QUIET = "quiet"


@dataclass(frozen=True, slots=True)
class Answer:
    """What `who` says about a problem, by a link or by its number; `until_ms` is when somebody on the way
    means to be there."""

    reply: Reply
    who: str
    until_ms: int | None = None
    by_link: bool = field(default=False, compare=False)

    def counted_from(self, at_ms: int) -> "Answer":
        """Return the answer with its time counted from a moment: another machine has a clock of its own."""
        return self if self.until_ms is None else replace(self, until_ms=max(self.until_ms - at_ms, 0))


class CallKind(StrEnum):
    """Why a person is written to."""

    ALARM = "alarm"
    TAKEN = "taken"
    RETURNED = "returned"
    FLOOD = "flood"
    DIGEST = "digest"
    DRILL = "drill"
    DAILY_WORD = "daily word"


@dataclass(frozen=True, slots=True)
class RackToday:
    """A rack in the daily word: watching, stopped, gone, silent, or "" where no rack can be heard.

    `vessels` is 0 where it does not say how many it has; `unwatched` and `alarms` count what stands.
    """

    rack: str
    state: str
    vessels: int
    unwatched: int
    alarms: int

    def rank(self) -> tuple[bool, int, int, str]:
        """Return what brings the worst rack to the front."""
        return self.state == "watching", -self.unwatched, -self.alarms, self.rack


@dataclass(frozen=True, slots=True)
class Day:
    """What the daily word says: the racks, the worst first, and when a drill was answered last."""

    racks: tuple[RackToday, ...]
    drill_ms: int | None


@dataclass(frozen=True, slots=True)
class Call:
    """One message to one person; the same call always carries the same `id`.

    `problem` is the number that people answer by and `key` its name; 0 and none for calls about several.
    `about` are the alarms, the most urgent first; `more` counts those that had no room in it. `answer` is
    the last one, `problems` are those of a flood. One that is sent `again` says how long it lasts, and `was`
    is the value of its first alarm that was told before. It was over and is back where people were
    `called_before`, none of whom has answered.
    """

    id: str
    kind: CallKind
    problem: int
    person: str
    priority: Priority
    at_ms: int
    about: tuple[Word, ...]
    more: int = 0
    answer: Answer | None = None
    problems: tuple[int, ...] = ()
    key: str = ""
    again: bool = False
    was: float | None = None
    called_before: tuple[str, ...] = ()
    day: Day | None = None

    @property
    def numbers(self) -> tuple[int, ...]:
        """Return the problems that one answer to this call is for; none where there is nothing to answer."""
        if self.kind is CallKind.FLOOD:
            return self.problems
        return (self.problem,) if self.kind in (CallKind.ALARM, CallKind.TAKEN, CallKind.DRILL) else ()


@dataclass(frozen=True, slots=True)
class Trails:
    """The trails of a rack's most urgent alarms, as of a time of the rack."""

    at_ms: int
    by_alarm: dict[str, Trail]


@dataclass(slots=True)
class Upshot:
    """What came of an input: calls to send, and the problems that call nobody any more."""

    calls: list[Call] = field(default_factory=list)
    settled: list[int] = field(default_factory=list)
    refusal: str = ""
