"""The page behind the link of a message: what is wrong, who was called, and four answers; no script needed.

It reads the on-call process's file and asks through its request table, as every other client does, so that it
can neither delay nor end the process. Only POST acts: programs that preview messages fetch their links.
"""

import re
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

import structlog

from daemon.clock import SteadyClock
from daemon.journal.asking import awaited
from daemon.oncall.call_text import answer_text, at_the_rack, first_check, sentence
from daemon.oncall.duty import duty_of
from daemon.oncall.settings import OnCallSettings
from daemon.oncall.store import Link, OnCallStore
from daemon.web.look import page_of
from daemon.web.picture import picture_of
from daemon.web.server import Page, PageServer, Request
from daemon.words import SHAPES
from rules.calling.duty import Duty
from rules.calling.escalation import Escalation
from rules.calling.problems import Problem
from rules.calling.records import Answer, Reply, Stand
from rules.care.rationale import record_of

log = structlog.get_logger()

ANSWER_WITHIN_S = 5.0
_STANDS = Stand.CALLS, Stand.SEEN, Stand.SILENCED
_PROMISE = re.compile(rf"{Reply.ON_MY_WAY} ([1-9][0-9]?)")
CHANGED = "This has changed since you looked, and stands as below. Nothing was answered."
MOVED = "Nothing stands under this number now, but something calls: take the newest message."
NOT_VALID = "This link is not valid any more. Take the newest message, or answer by its number."


@dataclass(frozen=True, slots=True)
class AnswerPage:
    """What the address `/TOKEN` shows and takes; call it with a request, from any thread."""

    settings: OnCallSettings
    duty: Duty
    zone: tzinfo
    now_ms: Callable[[], int]

    def __call__(self, request: Request) -> Page:
        """Return the page for a request."""
        token = request.path.removeprefix("/")
        store = OnCallStore(self.settings.oncall.state)
        try:
            link = store.link(token, self.now_ms())
            if link is None or link.person not in self.duty.rota.people:
                return Page(page_of("words.html", title=NOT_VALID), 404)
            if not request.acts:
                return self._shown(store, link)
            if request.form.get("shown") != _stamp(_problems(self._team(store), link)):
                return self._shown(store, link, CHANGED)
            if refusals := self._answered(store, link, request.form):
                return self._shown(store, link, refusals)
            return Page("", go_to=f"/{token}")
        finally:
            store.close()

    def _answered(self, store: OnCallStore, link: Link, form: Mapping[str, str]) -> str:
        """Say what the person says, and wait a little until it is taken; return what is refused."""
        reply = form.get("reply", "")
        until_ms = None
        if promise := _PROMISE.fullmatch(reply):
            reply, until_ms = Reply.ON_MY_WAY, 60_000 * int(promise[1])
        if reply not in list(Reply):
            return "This page does not know that answer."
        store.reached(link.person, self.now_ms())
        answer = Answer(Reply(reply), link.person, until_ms, by_link=True)
        asked = [(number, store.ask(number, answer)) for number in link.problems]
        refusals = [
            awaited(lambda request=request: store.answer_to(request), ANSWER_WITHIN_S)  # type: ignore[misc]
            for _, request in asked
        ]
        if None in refusals:
            return "Noted, but the on-call process does not answer: it is taken up as soon as that runs."
        return "; ".join(refusal for refusal in refusals if refusal)

    def _shown(self, store: OnCallStore, link: Link, notice: str = "") -> Page:
        now_ms, team = self.now_ms(), self._team(store)
        problems = _problems(team, link)
        drill = team.calls.practice.newest
        was_drill = drill is not None and link.problems == [drill.number]
        title = _title(link, problems, was_drill, store.when_reached(link.person))
        if link.problems and not (problems or was_drill) and any(its.urgency for its in team.problems()):
            title = MOVED
        html = page_of(
            "answer.html",
            person=link.person,
            now=f"{datetime.fromtimestamp(now_ms / 1000, UTC).astimezone(self.zone):%H:%M:%S}",
            title=title,
            notice=notice,
            problems=[self._problem(problem, now_ms) | self._pictured(team, problem) for problem in problems],
            shown=_stamp(problems),
            stands=bool(problems),
            unanswered=not problems and team.calls.rested.any_of(link.problems, now_ms),
            greeting=not link.problems and store.when_reached(link.person) is None,
            again=self._again(problems),
        )
        return Page(html)

    def _team(self, store: OnCallStore) -> Escalation:
        state = store.state()
        return Escalation(self.duty, self.now_ms()) if state is None else Escalation.restore(state, self.duty)

    def _pictured(self, team: Escalation, problem: Problem) -> dict[str, object]:
        """Return a picture of the last hours of the most urgent alarm that its rack sends them of."""
        about = [word for word in problem.words(*_STANDS) if word.event.channel]
        for word in about:
            trails = team.calls.trails.get(word.rack)
            if trails and (trail := trails.by_alarm.get(word.event.alarm)):
                picture = picture_of([(age_s / 3600, value) for age_s, value in trail.points], trail.limits)
                as_of = datetime.fromtimestamp(trails.at_ms / 1000, UTC).astimezone(self.zone)
                where = f"{word.event.vessel}, {word.event.quantity.replace('_', ' ')}, as of {as_of:%H:%M}"
                return {"picture": picture, "pictured": where if picture else f"{where}: too little was read"}
        none = "No picture: its rack sends no readings of this" if about else ""
        return {"picture": None, "pictured": none}

    def _problem(self, problem: Problem, now_ms: int) -> dict[str, object]:
        about = problem.words(*_STANDS)
        urgency = problem.urgency or problem.seen or about[0].event.priority
        first, event = about[0], about[0].event
        alarms = [sentence((word,), word.event.priority, now_ms, self.zone) for word in about]
        said = answer_text(problem.answer, now_ms, self.zone) if problem.answer else ""
        if unconfirmed := at_the_rack(problem, passes_on=self.settings.commands.enabled):
            said = f"{said}; {unconfirmed}"
        return {
            "number": problem.number,
            "priority": urgency.word,
            "shape": SHAPES[urgency],
            "text": sentence(about, urgency, now_ms, self.zone),
            "note": first_check(first, self.settings.notes),
            "why": first.record or record_of(first.stage, event.quantity, event.condition, {}),
            "alarms": alarms,
            "said": f"{said}." if said else "Nobody has answered yet.",
            "told": ", ".join(problem.told),
        }

    def _again(self, problems: list[Problem]) -> str:
        worst = max((problem.urgency or problem.seen or 0 for problem in problems), default=0)
        manner = next((manner for rank, manner in self.duty.manners.items() if rank == worst), None)
        return "" if manner is None else f" after {manner.ask_again_ms // 60_000} min"


def _problems(team: Escalation, link: Link) -> list[Problem]:
    return [problem for problem in team.problems() if problem.number in link.problems]


def _stamp(problems: list[Problem]) -> str:
    """Return what tells whether problems have become more, or worse, than what somebody has been shown."""
    worst = (max(member.worst for member in problem.members.values()) for problem in problems)
    return " ".join(f"{it.number}:{len(it.members)}:{rank}" for it, rank in zip(problems, worst, strict=True))


def _title(link: Link, problems: list[Problem], was_drill: bool, reached_ms: int | None) -> str:
    if problems and all(problem.is_drill for problem in problems):
        return "A drill, no alarm: answer it as if it were one"
    if was_drill and not problems:
        return "The drill is over; it was no alarm"
    if link.problems:
        return f"{len(problems)} to answer for" if problems else "It is over: nothing of this stands now"
    asked = "It came through." if reached_ms else "Can you read this on your phone?"
    return f"A greeting, no alarm. {asked}"


@contextmanager
def answer_pages(settings: OnCallSettings, clock: SteadyClock) -> Iterator[bool]:
    """Serve the page meanwhile, where the settings want one; say whether it is served.

    Where it cannot be, people are called all the same, and answer by numbers.
    """
    page = settings.page
    if page is None:
        yield False
        return
    pages = AnswerPage(settings, duty_of(settings), ZoneInfo(settings.oncall.time_zone), clock.now_ms)
    names = (*page.names, urlsplit(page.url).hostname or "")
    try:
        server = PageServer((page.host, page.port), pages, page.tls(), names=names)
    except OSError as error:
        log.warning("page_not_served", host=page.host, port=page.port, why=str(error.strerror or error))
        yield False
        return
    server.start()
    try:
        yield True
    finally:
        server.stop()
