"""What the journal notes of the link and of the on-call process; to look at it, no connection is loaded."""

from dataclasses import dataclass, field

from daemon.journal.journal import Journal

LINK = "link"
"""The note under which the journal keeps how the link is."""
ONCALL = "oncall"
"""The note under which the journal keeps who was heard, and what nobody has taken."""


@dataclass(slots=True)
class Link:
    """Whether it lives, since when (None: not known yet), and who else uses our name (empty: nobody)."""

    alive: bool = False
    since_ms: int | None = None
    rival: str = ""


@dataclass(slots=True)
class OnCallHeard:
    """Who was heard last (`by`: name and host), whether it is now, since when; since when which alarms stand
    that nobody has taken; who it said is on call (empty: it said nobody), until when (UTC) and who then."""

    by: str = ""
    alive: bool = False
    since_ms: int | None = None
    untaken: dict[str, int] = field(default_factory=dict)
    on_call: str = ""
    until_ms: int | None = None
    then: str = ""


def link_of(journal: Journal) -> Link:
    """Return how the link was last."""
    return journal.state.record(LINK, Link())


def oncall_heard(journal: Journal) -> OnCallHeard:
    """Return what was noted last of the on-call process."""
    return journal.state.record(ONCALL, OnCallHeard())
