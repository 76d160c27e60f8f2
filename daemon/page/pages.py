"""What each address of the rack's page shows, and what is sent to those who look live."""

import json
import threading
import time
import uuid
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from zoneinfo import ZoneInfo

from daemon.page.acts import AlarmActs
from daemon.page.alarms import alarms_of
from daemon.page.animals import Animals
from daemon.page.axis import LEFT, PLOT_HEIGHT, RIGHT
from daemon.page.memory import Memory
from daemon.page.moves import StageMoves
from daemon.page.now import now_of, standing
from daemon.page.people import People, Visitor
from daemon.page.pulse import EVERY_S, STALE_AFTER_S, Pulse
from daemon.page.vessel import LEAST_MS, SPANS, drawing_of
from daemon.page.write import Writing
from daemon.report.measured import OF_THE_STANDARD
from daemon.settings.page import Role
from daemon.settings.rack import Settings
from daemon.view.rack_now import RackNow
from daemon.view.rack_words import moment, on_call_text
from daemon.web.look import page_of
from daemon.web.server import HEADERS_WITH_SCRIPTS, Page, PageServer, Request

_FILES = {
    "/rack.css": "text/css",
    "/rack.js": "text/javascript",
    "/zoom.js": "text/javascript",
    "/icon.svg": "image/svg+xml",
    "/manifest.webmanifest": "application/manifest+json",
}

NOT_HERE = Page(page_of("words.html", title="There is no such page here."), 404)


class RackPages:
    """The pages of one rack; call it with a request, from any thread."""

    def __init__(self, settings: Settings, stop: threading.Event) -> None:
        self._settings = settings
        self._zone = ZoneInfo(settings.rack.time_zone)
        self._files = {path: page_of(path[1:]) for path in _FILES}
        self.pulse = Pulse(settings, stop, self._drawn)
        self._people = People(settings)
        self._views = {"/": self._now, "/alarms": self._alarms, "/team": self._team}
        self._views["/animals"] = self._batches
        if settings.page.acts:
            self._views |= {"/write": self._write, "/sign-in": self._sign_in, "/sign-out": self._sign_out}
        self._acts, self._writing = AlarmActs(settings, self.pulse), Writing(settings, self.pulse)
        self._moves, self._animals = StageMoves(settings, self.pulse), Animals(settings)

    def __call__(self, request: Request) -> Page:
        """Return what a request asks for."""
        path = request.path
        if path in _FILES:
            return Page(self._files[path], kind=_FILES[path])
        if path == "/events":
            return Page("", kind="text/event-stream", parts=self._events(request.form.get("seen", "")))
        visitor = self._people.visitor(request)
        if path in self._views:
            return self._views[path](visitor, request)
        if (name := path.removeprefix("/vessel/")) in self._settings.vessels:
            return self._vessel(visitor, name, request)
        if (name := path.removeprefix("/alarm/")) != path:
            return self._page(visitor, "alarm.html", name, **self._acts(name, request, visitor))
        return NOT_HERE

    def _now(self, visitor: Visitor, _request: Request) -> Page:
        return self._page(visitor, "now.html", "Now")

    def _write(self, visitor: Visitor, request: Request) -> Page:
        shown = self._writing(request, visitor)
        page = self._page(visitor, "write.html", "Write", **shown)
        return replace(page, status=503) if shown["trouble"] else page

    def _batches(self, visitor: Visitor, request: Request) -> Page:
        shown = self._animals(request, visitor)
        page = self._page(visitor, "animals.html", "Animals", **shown)
        return replace(page, status=503) if shown["trouble"] else page

    def _sign_in(self, visitor: Visitor, request: Request) -> Page:
        if not request.acts:
            return self._page(visitor, "sign-in.html", "Sign in", said="")
        cookie, fault = self._people.sign_in(request.form.get("code", ""), request.address)
        if cookie:
            return Page("", go_to="/", cookie=cookie)
        return self._page(visitor, "sign-in.html", "Sign in", said=fault)

    def _sign_out(self, visitor: Visitor, request: Request) -> Page:
        if not request.acts or visitor.refused(Role.LOOK, request):
            return NOT_HERE
        return Page("", go_to="/", cookie=self._people.sign_out(request))

    def _team(self, visitor: Visitor, _request: Request) -> Page:
        page, rack = self._settings.page, self.pulse.newest.rack
        roles = [(name, page.roles.get(name, Role.ACT)) for name in self._settings.rack.people]
        oncall, since, duty = rack.oncall if rack else None, "", ""
        if rack and oncall and oncall.since_ms is not None:
            since = moment(oncall.since_ms, rack.made_ms, self._zone)
            duty = on_call_text(oncall, rack.made_ms, self._zone)
        shown = {"roles": roles if page.acts else [], "oncall": oncall, "since": since, "duty": duty}
        return self._page(visitor, "team.html", "Team", **shown)

    def _alarms(self, visitor: Visitor, request: Request) -> Page:
        page = _whole(request.form.get("page"), 0)
        rack = self.pulse.newest.rack
        with self.pulse.lock:
            memory = self.pulse.memory
            found = alarms_of(rack, memory, page, self._zone)
            since = self._since(memory)
        said = standing(rack) if rack else ""
        return self._page(
            visitor, "alarms.html", "Alarms", alarms=found, since=since, standing=said, of=OF_THE_STANDARD
        )

    def _vessel(self, visitor: Visitor, name: str, request: Request) -> Page:
        moves = self._moves(name, request, visitor)
        with self.pulse.lock:
            memory = self.pulse.memory
            now_ms = memory.newest_ms
            span, from_ms, to_ms = _window(request.form, now_ms)
            drawing = drawing_of(memory, self._settings, name, (from_ms, to_ms), self._zone)
            since = self._since(memory)
        length_ms = to_ms - from_ms
        shown = {
            "drawing": drawing,
            "spans": list(SPANS),
            "span": span,
            "from_ms": from_ms,
            "to_ms": to_ms,
            "is_past": to_ms < now_ms,
            "earlier": f"span={span}&to={from_ms}" if span else f"from={from_ms - length_ms}&to={from_ms}",
            "later": f"span={span}&to={to_ms + length_ms}"
            if span
            else f"from={to_ms}&to={to_ms + length_ms}",
            "detail": f"Known since {since}; older than three days by the hour.",
        }
        shown |= {"left": LEFT, "right": RIGHT, "high": PLOT_HEIGHT}
        called = self._settings.vessels[name].label or name
        return self._page(visitor, "vessel.html", called, name=name, called=called, **shown, **moves)

    def _since(self, memory: Memory) -> str:
        if memory.since_ms is None:
            return "now; what was is being read"
        since = moment(memory.dating.utc_ms(memory.since_ms), memory.newest_ms, self._zone)
        done = self.pulse.recalled
        return since if done == 1 else f"{since}, what was before is being read, {100 * done:.0f} %"

    def _page(self, visitor: Visitor, template: str, title: str, **values: object) -> Page:
        look = self.pulse.newest
        late_s = time.monotonic() - look.made_s
        stale = f"This page has not read the journal for {late_s:.0f} s; start it again."
        late = stale if late_s > STALE_AFTER_S else ""
        known: dict[str, object] = {
            "title": f"{title} · {self._settings.rack.name}",
            "look": look,
            "late": late,
        }
        known |= {"rack": self._settings.rack.name, "acts_here": self._settings.page.acts, "visitor": visitor}
        return Page(page_of(template, **known | {"form_id": uuid.uuid4().hex} | values))

    def _drawn(self, rack: RackNow | None, trouble: str, memory: Memory) -> dict[str, str]:
        """Return the pieces of the page *Now*, by the id of the element that holds each."""
        if rack is None:
            head = page_of("head.html", now=None, trouble=trouble)
            return {"head": head, "told": "", "needs": "", "rack": "", "health": ""}
        now = now_of(rack, self._settings, memory)
        cards = {f"v-{card.name}": page_of("card.html", card=card) for card in now.cards}
        return {
            "head": page_of("head.html", now=now, trouble=""),
            "told": page_of("told.html", now=now),
            "needs": page_of("needs.html", now=now),
            "rack": page_of("cards.html", now=now, cards=cards),
            **cards,
            "health": page_of("health.html", now=now),
        }

    def _events(self, seen: str) -> Iterator[str]:
        """Go through what changed on the page, as server-sent events (WHATWG HTML 9.2).

        First comes all of it, unless the page is of the look that is still the newest: what somebody is about
        to touch stays in its place.
        """
        newest = self.pulse.newest
        before = newest.parts if seen == str(newest.made_s) else {}
        order = list(before)
        retry = f"retry: {EVERY_S * 1000:.0f}\n"
        for look in self.pulse.looks():
            same_cards = list(look.parts) == order
            changed = {
                key: html
                for key, html in look.parts.items()
                if before.get(key) != html and (key != "rack" if same_cards else not key.startswith("v-"))
            }
            late = time.monotonic() - look.made_s > STALE_AFTER_S
            before, order = look.parts, list(look.parts)
            yield f"{retry}data: {json.dumps({'late': late, 'parts': changed})}\n\n"


def _window(query: Mapping[str, str], now_ms: int) -> tuple[str, int, int]:
    """Return the word of a length of time (empty: it has none), and from when to when is looked at."""
    to_ms = _whole(query.get("to"), now_ms)
    if "from" in query:
        length_ms = to_ms - _whole(query["from"], to_ms)
        length_ms = min(max(length_ms, LEAST_MS), max(SPANS.values()))
        return "", min(to_ms, now_ms) - length_ms, min(to_ms, now_ms)
    span = query["span"] if query.get("span") in SPANS else "1d"
    return span, min(to_ms, now_ms) - SPANS[span], min(to_ms, now_ms)


def _whole(text: str | None, otherwise: int) -> int:
    """Read a whole number out of an address; what is none stands for `otherwise`."""
    return int(text) if text and text.isascii() and text.isdecimal() and len(text) < 16 else otherwise


@contextmanager
def rack_pages(settings: Settings, stop: threading.Event) -> Iterator[Pulse]:
    """Serve the rack's page meanwhile; OSError where it cannot be."""
    pages, page = RackPages(settings, stop), settings.page
    address, proxy = (page.host, page.port), page.behind_tls
    server = PageServer(address, pages, page.tls(), HEADERS_WITH_SCRIPTS, page.names, behind_proxy=proxy)
    pages.pulse.start()
    server.start()
    try:
        yield pages.pulse
    finally:
        stop.set()
        server.stop()
