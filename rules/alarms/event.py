"""What moves an alarm and what comes of it: a crossed limit with its evidence, and the steps of an alarm."""

from dataclasses import dataclass

from rules.alarms.life_cycle import Condition, Priority, State, Trigger


@dataclass(frozen=True, slots=True)
class Evidence:
    """The numbers behind an event, in the channel's unit (per hour for rates); None where there is none.

    `limit_from` is the key of the settings that the limit stands under, such as
    stages.ephyra.temperature.critical_high, after the word built-in where the file does not set it.
    `reached_ms` is when the limit will be reached, `reason` what a probe fault is about, `hidden` are the
    dangers that nobody sees.
    """

    value: float | None = None
    limit: float | None = None
    limit_from: str = ""
    rate_per_hour: float | None = None
    reached_ms: int | None = None
    reason: str = ""
    hidden: tuple[str, ...] = ()


NO_EVIDENCE = Evidence()


@dataclass(frozen=True, slots=True)
class Trail:
    """The last hours of a channel: `points` of age [s] and value, the oldest first, and its limits now.

    `limits` are critical low, advisory low, advisory high, critical high; None where there is none.
    """

    points: tuple[tuple[int, float], ...]
    limits: tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class Course:
    """Where the water of an alarm was `age_ms` ago, in the unit of its evidence, and which way it goes.

    At that rate it is at the critical limit `left_ms` after that; None where it does not go there soon.
    Only the most urgent alarms have a `trail`.
    """

    alarm: str
    value: float | None
    rate_per_hour: float | None
    age_ms: int
    left_ms: int | None
    trail: Trail | None = None


@dataclass(frozen=True, slots=True)
class Crossing:
    """A level of a condition on a channel is crossed (`active`), or no longer; it began at `since_ms`.

    `reach` names vessels that the cause concerns beside the channel's own. For `waits_ms` people are not told
    of it: what it may hide is told by then, as an alarm of the same cause, or it was told twice already.
    """

    vessel: str
    bus: str
    channel: str
    condition: Condition
    cause: str
    level: str
    priority: Priority
    active: bool
    since_ms: int
    reach: tuple[str, ...] = ()
    evidence: Evidence = NO_EVIDENCE
    waits_ms: int = 0

    @property
    def alarm(self) -> str:
        """Return the name of the alarm that it concerns."""
        return f"{self.channel}/{self.condition}"


@dataclass(frozen=True, slots=True)
class AlarmEvent:
    """One step in the life of an alarm; `number` counts the events of a journal from 1.

    `condition` is a `Condition`; only on call it may be a word that another version of a rack says.
    `cause` is shared by alarms that are one problem, and `vessels` are those in which it shows.
    `who`, `why` and `until_ms` say what people did.
    """

    number: int
    at_ms: int
    vessel: str
    channel: str
    condition: str
    trigger: Trigger
    state: State
    priority: Priority
    since_ms: int
    cause: str = ""
    vessels: tuple[str, ...] = ()
    evidence: Evidence = NO_EVIDENCE
    who: str = ""
    why: str = ""
    until_ms: int | None = None

    @property
    def alarm(self) -> str:
        """Return the name of the alarm that took this step."""
        return f"{self.channel}/{self.condition}"

    @property
    def quantity(self) -> str:
        """Return what is measured on the channel."""
        return self.channel.rpartition("/")[2]
