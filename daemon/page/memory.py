"""What was, in memory: the journal folded once from its beginning, and then followed.

By the one way from inputs to judgement, so that what is drawn of a year is what was judged. Each look is a
short transaction, and the watch never waits for it.
"""

from collections import defaultdict
from collections.abc import Iterator
from contextlib import closing
from itertools import groupby
from operator import itemgetter
from pathlib import Path

import numpy as np
import structlog

from daemon.errors import BellwatchError, JournalError
from daemon.journal.dating import Dating
from daemon.journal.fold import fold
from daemon.journal.history import UNUSABLE
from daemon.journal.journal import Journal
from daemon.page.extents import HOUR_MS, MINUTE_MS, Extents
from rules.alarms.event import AlarmEvent
from rules.alarms.history import alarm_event_from_json
from rules.engine import Engine
from rules.quality.flags import Flag
from rules.quantities import Quantity
from rules.rack.stage_plan import Tolerances
from rules.rack.stages_over_time import StagesOverTime
from rules.rack.tolerance import Tolerance
from rules.readings import Action, Outcome, Readings

log = structlog.get_logger()

FINE_MS = 3 * 86_400_000
"""So far back a drawing shows minutes, before that hours."""
_BLOCK = 20_000
"""Readings taken in at once: a short transaction, and little memory."""
_SHOWN_DEEDS = ("log", "hand_measurement", "calibrate", "move_stage", "begin_maintenance")


class Memory:
    """What was of every channel, vessel and alarm; `since_ms` is from when on, on the journal's axis of time.

    `dating` turns that axis into UTC. `deeds` are what people wrote down or did to a vessel or probe, by
    their numbers.
    """

    def __init__(self) -> None:
        self.dating = Dating()
        self.since_ms: int | None = None
        self.fine: dict[str, Extents] = defaultdict(lambda: Extents(MINUTE_MS, FINE_MS // MINUTE_MS))
        self.coarse: dict[str, Extents] = defaultdict(lambda: Extents(HOUR_MS))
        self._stages = StagesOverTime()
        self.deeds: dict[int, Action] = {}
        self.events: list[AlarmEvent] = []
        self._engine: Engine | None = None
        self._seq = self._event = 0
        self._run, self._has_retired = "", False

    def begin(self, path: Path, last_ms: int) -> None:
        """Take in the last so many milliseconds of a journal only, for a quick start."""
        with closing(Journal(path, writable=False)) as journal, journal.standing_still():
            from_ms = journal.state.clock_ms() - last_ms
            oldest = journal.inputs.last_seq_before(from_ms)
            numbers = (number for number, _ in journal.inputs.numbered_actions())
            for item in journal.inputs.after(0, _BLOCK, readings_after_seq=oldest):
                self._take(item, numbers)
            self._seq = journal.inputs.last_seq()
            self.since_ms = max(self.since_ms or 0, from_ms)

    def follow(self, path: Path) -> float:
        """Take in what is new, or a part of it; return how much of everything that is, up to 1.

        JournalError where it is another journal now, or one that went back; sqlite3.Error as it comes.
        """
        with closing(Journal(path, writable=False)) as journal, journal.standing_still():
            last = journal.inputs.last_seq()
            if self._run not in ("", journal.run_id) or last < self._seq:
                raise JournalError(f"journal {path}: another one, or it went back; all is read anew")
            self._run, self.dating, taken = journal.run_id, journal.state.dating(), 0
            numbers = (number for number, _ in journal.inputs.numbered_actions(self._seq))
            for item in journal.inputs.after(self._seq, _BLOCK):
                self._take(item, numbers)
                if isinstance(item, Readings):
                    self._seq, taken = int(item.seq[-1]), taken + len(item)
                    if taken >= _BLOCK:
                        return min(self._seq / last, 0.99)
            self._seq = last
            for body in journal.history.event_bodies(self._event):
                self._event = int(body["number"])
                try:
                    self.events.append(alarm_event_from_json(body))
                except UNUSABLE as error:
                    log.warning("event_unusable", number=self._event, why=repr(error))
            if self._engine and not self._has_retired:
                self._take_retired(journal, self._engine)
        return 1.0

    def _take_retired(self, journal: Journal, engine: Engine) -> None:
        """Take in the hourly summaries of readings that are gone, as their probes sent them."""
        self._has_retired = True
        every = (now.channel for now in engine.channels())
        measured = {its.source.id: its for its in every if its.source.quantity == its.quantity}
        for source, rows in groupby(journal.history.hourly(), itemgetter(0)):
            if its := measured.get(source):
                _, hours, failed, low, high = np.array(list(rows), dtype=np.float64).T
                hour_ms = np.array([self.dating.axis_ms(int(hour)) for hour in hours])
                summary = np.where(failed > 0, Flag.FAIL, Flag.PASS).astype(np.uint8)
                self.coarse[its.name].add(hour_ms, low, high, summary)

    def limits(self, vessel: str, quantity: Quantity, at_ms: int) -> Tolerance | None:
        """Return what was tolerated at a moment of the axis, moved by stage and plan."""
        if self.since_ms is None or at_ms < self.since_ms:
            return None
        return self._stages.limits(vessel, quantity, at_ms)

    def tolerances_of(self, vessel: str) -> Tolerances:
        """Return what each stage tolerates in a vessel by the plan in force; nothing before one is read."""
        return self._engine.plan.tolerances_of(vessel) if self._engine else {}

    @property
    def newest_ms(self) -> int:
        """Return up to when, on the axis, everything is taken in."""
        return self._engine.clock_ms if self._engine else 0

    def _take(self, item: Readings | Action, numbers: Iterator[int]) -> None:
        number = next(numbers) if isinstance(item, Action) else 0
        try:
            self._engine, outcome = fold(self._engine, item)
        except (*UNUSABLE, BellwatchError) as error:
            log.warning("input_unusable", why=repr(error))
            return
        if isinstance(item, Action) and item.kind in _SHOWN_DEEDS and not outcome.refusal:
            self.deeds[number] = item
        self._note(self._engine, outcome)

    def _note(self, engine: Engine, outcome: Outcome) -> None:
        self.since_ms = engine.clock_ms if self.since_ms is None else self.since_ms
        self._stages.note(engine.plan, engine.stages(), engine.clock_ms, outcome.moved)
        for flags in outcome.flags:
            if flags.time_ms.size:
                good = np.where(flags.summary == Flag.FAIL, np.nan, flags.value)
                for extents in (self.fine, self.coarse):
                    extents[flags.channel].add(flags.time_ms, good, good, flags.summary)
