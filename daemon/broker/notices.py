"""What the daemon itself has to say: written down, published and logged like the notices of the rules."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import structlog

from daemon.journal.journal import FIRST_RUN, Journal
from daemon.journal.outbox import Message
from rules.alarms.event import AlarmEvent
from rules.rack.plan import RACK_WIDE
from rules.readings import Notice

log = structlog.get_logger()

Words = Callable[[AlarmEvent | Notice], list[Message]]

WENT_BACK = "journal went back"
TWO_RACKS = "two racks of one name"
NOT_TAKEN = "alarms not taken"
NO_ONCALL = "no on-call process"
SHOWN_LIVE = frozenset({TWO_RACKS, NOT_TAKEN, NO_ONCALL})
"""What every screen shows as long as it is so; of the rest it shows that it was."""
DAY_MS = 86_400_000
_TOLD_RUN = "told_run"


@dataclass(frozen=True, slots=True)
class Notices:
    """`words` turns a notice, or an event, into the messages that it makes us publish."""

    journal: Journal
    words: Words

    def say(self, kind: str, details: dict[str, Any], now_ms: int, *notes: tuple[str, str]) -> None:
        """Say something of the rack; the `notes` are kept with it."""
        with self.journal.transaction():
            for notice in self.journal.history.keep_notices([Notice(kind, now_ms, RACK_WIDE, details)]):
                log.error("notice", kind=kind, details=details)
                self.journal.outbox.put(self.words(notice))
            for note in notes:
                self.journal.state.keep_note(*note)

    def say_lasting(
        self, kind: str, details: dict[str, Any], now_ms: int, again_after_ms: int = DAY_MS
    ) -> None:
        """Say what lasts, or comes again and again: at once, then only now and then."""
        before = self.journal.history.newest_notice(kind, RACK_WIDE)
        if before is None or now_ms - before.at_ms >= again_after_ms:
            self.say(kind, details, now_ms)

    def tell_new_run(self, now_ms: int) -> None:
        """Say once that numbers are begun anew, whatever made them so."""
        run = self.journal.state.runs()[-1]
        if run.reason != FIRST_RUN and self.journal.state.note(_TOLD_RUN) != run.id:
            self.say(WENT_BACK, {"why": run.reason, "run": run.id}, now_ms, (_TOLD_RUN, run.id))
