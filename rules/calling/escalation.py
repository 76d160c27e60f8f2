"""Who is told what, and when: a fold over alarm reports, acknowledgements, signs of life and time.

The same law as the engine's holds: inputs may be cut anywhere, with a snapshot and restore in
between, and the same pages come out, under the same ids. Inputs come in the order of their
arrival; each lets time pass up to its own moment first.
"""

from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Any

from rules.alarms.life_cycle import Priority
from rules.calling.duty import Duty, When
from rules.calling.flood import FloodGate
from rules.calling.problems import Member, Problem, problem_from_json
from rules.calling.rack_signs import RackSigns
from rules.calling.reports import LET_GO, Page, PageKind, Report, Stand, Told, report_from_json
from rules.calling.rota import next_daily_ms
from rules.errors import InputError

SNAPSHOT_VERSION = 1
SUMMARY_LISTS = 20
GONE_KEPT = 200
_PAST = frozenset({Stand.OVER})
_CALLING = frozenset({Stand.CALLS})


class Escalation:
    """The state of the calling; `duty` is the team's agreement and not part of the snapshot."""

    def __init__(self, duty: Duty, start_ms: int) -> None:
        self._duty = duty
        self._clock_ms = start_ms
        self._problems: dict[str, Problem] = {}
        self._last_number = 0
        self._summaries = 0
        self._gone: list[Report] = []
        self._heard_numbers: dict[str, dict[str, int]] = {}
        self._journals: dict[str, tuple[str, int]] = {}
        self._digest_due_ms = next_daily_ms(duty.digest_at, duty.rota.zone, start_ms)
        self._flood = FloodGate(duty.flood_pages, duty.flood_window_ms)
        self._signs = RackSigns(duty.gone_after_ms, duty.silent_after_ms, duty.link_lost_after_ms, start_ms)
        self._signs.expect(duty.racks, start_ms)

    # Inputs

    def hear(self, report: Report, at_ms: int) -> Told:
        """Take a rack's word on an alarm; what is no newer than the last word on it is passed over."""
        told = self.advance(at_ms)
        if self._is_news(report, told):
            self._heard_numbers[report.rack][f"{report.journal}:{report.alarm}"] = report.number
            self._take(report, told)
        return told

    def clear(self, rack: str, alarm: str, at_ms: int) -> Told:
        """Take the broker's word that an alarm no longer stands."""
        told = self.advance(at_ms)
        self._end(rack, lambda report: report.alarm == alarm, told)
        return told

    def mention(self, report: Report, at_ms: int) -> Told:
        """Take something worth knowing that is no alarm: the next digest says it, once."""
        told = self.advance(at_ms)
        if all(report.alarm != known.alarm or report.rack != known.rack for known in self._gone):
            self._gone = [*self._gone, report][-GONE_KEPT:]
        return told

    def heartbeat(self, rack: str, alarms: int, rack_ms: int, at_ms: int) -> Told:
        """Take a rack's sign of life: its own time, and how many alarms stand on it."""
        told = self.advance(at_ms)
        self._take_all(self._signs.heard(rack, at_ms), told)
        if alarms == 0:
            self._end(rack, lambda report: bool(report.journal) and report.at_ms <= rack_ms, told)
        return told

    def watch(self, rack: str, state: str, at_ms: int, *, kept: bool) -> Told:
        """Take what the rack's watch topic says; `kept` tells that the broker kept it from before."""
        told = self.advance(at_ms)
        self._take_all(self._signs.said(rack, state, at_ms, kept=kept), told)
        return told

    def link(self, up: bool, at_ms: int) -> Told:
        """Take into account whether the broker is reached; at first it is not."""
        told = self.advance(at_ms)
        self._take_all(self._signs.link(up, at_ms), told)
        return told

    def acknowledge(self, number: int, at_ms: int) -> Told:
        """Note that somebody has seen a problem, by its number; refused where it calls nobody."""
        told = self.advance(at_ms)
        problem = next((found for found in self._problems.values() if found.number == number), None)
        if problem is None or problem.urgency is None:
            told.refusal = f"{number}: no problem of this number calls anybody now"
            return told
        before = problem.urgency
        for member in list(problem.calling()):
            member.stand = Stand.SEEN
        self._review(problem, before, told)
        return told

    def undelivered(self, page_id: str, at_ms: int) -> Told:
        """Note that a page reached its person on none of the channels: the next person is called at once."""
        told = self.advance(at_ms)
        number, _, count = page_id.partition(".")
        for problem in self._problems.values():
            newest = str(problem.number) == number and str(problem.pages) == count
            if newest and problem.urgency is not None and problem.failed + 1 < len(self._duty.rota.people):
                problem.failed += 1
                problem.step += 1
                problem.handed_ms, problem.due_ms = at_ms, at_ms
        return told

    def advance(self, until_ms: int) -> Told:
        """Let time pass: everything that falls due up to `until_ms` happens, each at its own moment."""
        if until_ms < self._clock_ms:
            raise InputError(f"time cannot run back from {self._clock_ms} to {until_ms} ms")
        told = Told()
        while (due_ms := self._next_due_ms()) is not None and due_ms <= until_ms:
            self._clock_ms = max(self._clock_ms, due_ms)
            self._happen(told)
        self._clock_ms = until_ms
        return told

    def resume(self, at_ms: int) -> Told:
        """Go on at `at_ms` after a time in which nobody was here to call: what fell due, falls due now."""
        if at_ms < self._clock_ms:
            raise InputError(f"time cannot run back from {self._clock_ms} to {at_ms} ms")
        if self._digest_due_ms is not None and self._digest_due_ms <= at_ms:
            self._digest_due_ms = next_daily_ms(self._duty.digest_at, self._duty.rota.zone, at_ms)
        self._signs.resume(at_ms)
        self._clock_ms = at_ms
        return self.advance(at_ms)

    # What people look at

    @property
    def duty(self) -> Duty:
        """Return the team's agreement."""
        return self._duty

    @property
    def clock_ms(self) -> int:
        """Return the moment up to which everything has happened."""
        return self._clock_ms

    def problems(self) -> list[Problem]:
        """Return the problems that stand, by number; for looking only."""
        return sorted(self._problems.values(), key=lambda problem: problem.number)

    # Snapshot

    def snapshot(self) -> dict[str, Any]:
        """Return the whole state as plain JSON values; `Escalation.restore` is the exact inverse."""
        return {
            "version": SNAPSHOT_VERSION,
            "clock_ms": self._clock_ms,
            "problems": [problem.to_json() for problem in self._problems.values()],
            "last_number": self._last_number,
            "summaries": self._summaries,
            "gone": [report.to_json() for report in self._gone],
            "heard_numbers": {rack: dict(heard) for rack, heard in self._heard_numbers.items()},
            "journals": {rack: list(newest) for rack, newest in self._journals.items()},
            "flood": self._flood.to_json(),
            "signs": self._signs.to_json(),
        }

    @classmethod
    def restore(cls, data: dict[str, Any], duty: Duty) -> "Escalation":
        """Return the state that `snapshot` wrote down, under a duty that may have changed since."""
        if data.get("version") != SNAPSHOT_VERSION:
            raise InputError(f"snapshot version {data.get('version')}; this one reads {SNAPSHOT_VERSION}")
        escalation = cls(duty, data["clock_ms"])
        problems = map(problem_from_json, data["problems"])
        escalation._problems = {problem.key: problem for problem in problems}
        escalation._last_number = data["last_number"]
        escalation._summaries = data["summaries"]
        escalation._gone = [report_from_json(report) for report in data["gone"]]
        escalation._heard_numbers = {rack: dict(heard) for rack, heard in data["heard_numbers"].items()}
        escalation._journals = {rack: (name, at_ms) for rack, (name, at_ms) in data["journals"].items()}
        escalation._flood.take_json(data["flood"])
        escalation._signs.take_json(data["signs"])
        escalation._signs.expect(duty.racks, data["clock_ms"])
        return escalation

    # The steps

    def _take_all(self, reports: Iterable[Report], told: Told) -> None:
        for report in reports:
            self._take(report, told)

    def _take(self, report: Report, told: Told) -> None:
        problem = self._home(report, told)
        if problem is None:
            if report.stand is not Stand.CALLS:
                return
            self._last_number += 1
            problem = Problem(self._last_number, report.problem)
            self._problems[problem.key] = problem
        before = problem.urgency
        if (member := problem.members.get(report.alarm)) is None:
            problem.members[report.alarm] = Member(report, report.stand, report.priority)
        else:
            member.take(report)
        self._review(problem, before, told)

    def _home(self, report: Report, told: Told) -> Problem | None:
        """Return the problem that an alarm belongs to now; a newly named cause takes it from another."""
        for problem in list(self._problems.values()):
            member = problem.members.get(report.alarm)
            if member is None or member.report.rack != report.rack:
                continue
            if not report.cause or report.problem == problem.key:
                return problem
            before = problem.urgency
            del problem.members[report.alarm]
            if problem.members:
                self._review(problem, before, told)
            else:
                del self._problems[problem.key]
                told.settled.append(problem.number)
        return self._problems.get(report.problem)

    def _review(self, problem: Problem, before: Priority | None, told: Told) -> None:
        """Start, go on with or stop calling, now that the urgency may differ from what it was `before`."""
        now = problem.urgency
        if not problem.open:
            self._close(problem, told)
        elif now is None:
            if before is not None:
                problem.due_ms = None
                told.settled.append(problem.number)
        elif before is None or now > before:
            due_ms = self._clock_ms + self._duty.gather_ms
            gathering = problem.handed_ms is None and problem.due_ms is not None and before is not None
            problem.begin(min(due_ms, problem.due_ms) if gathering and problem.due_ms else due_ms)

    def _end(self, rack: str, chosen: Callable[[Report], bool], told: Told) -> None:
        """Take those alarms of a rack as over that are `chosen`."""
        for problem in list(self._problems.values()):
            before = problem.urgency
            ended = [
                member
                for member in problem.members.values()
                if member.report.rack == rack and member.stand is not Stand.OVER and chosen(member.report)
            ]
            for member in ended:
                member.take(replace(member.report, state="normal", trigger="returned"))
            if ended:
                self._review(problem, before, told)

    def _is_news(self, report: Report, told: Told) -> bool:
        """Return whether we did not know a word yet.

        A rack that begins a new journal counts its events anew, and what the old one said stands no
        longer. Which journal is the newer one is known by the rack's clock alone: a word of another
        journal that is older than what we know ends nothing, and never goes over a newer word.
        """
        journal, newest_ms = self._journals.get(report.rack, ("", -1))
        if report.journal == journal or report.at_ms >= newest_ms:
            self._journals[report.rack] = report.journal, max(newest_ms, report.at_ms)
            if report.journal != journal:
                self._heard_numbers[report.rack] = {}
                self._end(report.rack, lambda known: known.journal not in ("", report.journal), told)
        elif any(
            member.report.rack == report.rack and member.report.at_ms >= report.at_ms
            for problem in self._problems.values()
            if (member := problem.members.get(report.alarm))
        ):
            return False
        heard = self._heard_numbers[report.rack].get(f"{report.journal}:{report.alarm}", 0)
        return report.number > heard

    def _next_due_ms(self) -> int | None:
        dues = [self._signs.due_ms(), self._flood.due_ms(), self._digest_due_ms]
        dues += [problem.due_ms for problem in self._problems.values()]
        return min((due_ms for due_ms in dues if due_ms is not None), default=None)

    def _happen(self, told: Told) -> None:
        """Let the one thing happen that is due first."""
        now_ms = self._clock_ms
        due = [problem for problem in self._problems.values() if (problem.due_ms or now_ms + 1) <= now_ms]
        if (self._signs.due_ms() or now_ms + 1) <= now_ms:
            self._take_all(self._signs.fall_silent(now_ms), told)
        elif due:
            self._call(min(due, key=lambda problem: (-(problem.urgency or 0), problem.number)), told)
        elif (self._flood.due_ms() or now_ms + 1) <= now_ms:
            self._tell_held(told)
        else:
            self._tell_digest(told)
            self._digest_due_ms = next_daily_ms(self._duty.digest_at, self._duty.rota.zone, now_ms)

    def _call(self, problem: Problem, told: Told) -> None:
        """Page whoever is to be called for a problem now, and work out when the next page falls due."""
        now_ms, urgency = self._clock_ms, problem.urgency
        wait_ms = None if urgency is None else self._waits_until_ms(urgency)
        if urgency is None or self._duty.manners[urgency].when is When.DIGEST or wait_ms is not None:
            problem.due_ms = wait_ms
            return
        manner = self._duty.manners[urgency]
        if problem.handed_ms is None:
            problem.handed_ms = now_ms
        elif now_ms > problem.handed_ms:
            problem.failed = 0
            if now_ms >= problem.handed_ms + manner.hand_over_ms:
                problem.step, problem.handed_ms = problem.step + 1, now_ms
        line_up = self._duty.rota.line_up(now_ms)
        self._page(problem, PageKind.ALARM, line_up[problem.step % len(line_up)], urgency, told)
        problem.due_ms = min(now_ms + manner.repeat_ms, problem.handed_ms + manner.hand_over_ms)

    def _waits_until_ms(self, urgency: Priority) -> int | None:
        """Return when the quiet hours end that keep a priority from being told now; None where none do."""
        if self._duty.manners[urgency].when is not When.AWAKE:
            return None
        return self._duty.quiet_ends_ms(self._clock_ms)

    def _page(self, problem: Problem, kind: PageKind, person: str, urgency: Priority, told: Told) -> None:
        """Write to one person about one problem; below critical the flood gate may hold it back."""
        about = problem.reports(_CALLING if kind is PageKind.ALARM else _PAST)
        if urgency < Priority.CRITICAL and not self._flood.admits(person, self._clock_ms):
            if kind is PageKind.ALARM:
                self._flood.hold(person, problem.number, self._clock_ms)
            else:
                self._gone = [*self._gone, *(ended for ended in about if ended not in self._gone)][
                    -GONE_KEPT:
                ]
            return
        problem.pages += 1
        page_id = f"{problem.number}.{problem.pages}"
        told.pages.append(Page(page_id, kind, problem.number, person, urgency, self._clock_ms, about))
        if person not in problem.told:
            problem.told.append(person)

    def _close(self, problem: Problem, told: Told) -> None:
        """Forget a problem that is over; who was paged is told so, else the next digest says it."""
        del self._problems[problem.key]
        told.settled.append(problem.number)
        ended = tuple(report for report in problem.reports(_PAST) if report.trigger not in LET_GO)
        worst = max(member.worst for member in problem.members.values())
        if not problem.told or self._waits_until_ms(worst) is not None:
            self._gone = [*self._gone, *ended][-GONE_KEPT:]
        elif ended:
            for person in problem.told:
                self._page(problem, PageKind.RETURNED, person, Priority.LOW, told)

    def _tell_held(self, told: Told) -> None:
        for person, numbers in self._flood.release(self._clock_ms):
            held = [problem for problem in self.problems() if problem.number in numbers]
            calling = [
                (urgency, problem)
                for problem in held
                if (urgency := problem.urgency) is not None and self._waits_until_ms(urgency) is None
            ]
            if not calling:
                continue
            calling.sort(key=lambda item: (-item[0], item[1].number))
            for _, problem in calling:
                problem.told += [] if person in problem.told else [person]
            about = tuple(report for _, problem in calling for report in problem.reports(_CALLING))
            told.pages.append(self._summary(PageKind.FLOOD, person, calling[0][0], about))

    def _tell_digest(self, told: Told) -> None:
        low = [
            problem
            for problem in self.problems()
            if (urgency := problem.urgency) and self._duty.manners[urgency].when is When.DIGEST
        ]
        about = (*(report for problem in low for report in problem.reports(_CALLING)), *self._gone)
        if about:
            person = self._duty.rota.on_call(self._clock_ms)
            told.pages.append(self._summary(PageKind.DIGEST, person, Priority.LOW, about))
        self._gone = []

    def _summary(self, kind: PageKind, person: str, priority: Priority, about: tuple[Report, ...]) -> Page:
        self._summaries += 1
        shown, more = about[:SUMMARY_LISTS], max(len(about) - SUMMARY_LISTS, 0)
        return Page(f"0.{self._summaries}", kind, 0, person, priority, self._clock_ms, shown, more)
