"""Sending calls: tried on each of a person's routes, again and again, until the library says it went.

Sending may take seconds, so each try has a thread of its own, a few at a time; only the results come
back to the one thread that keeps the books. A try that takes too long (a service that answers byte by byte
ends at no time-out) counts as refused and keeps its place no longer; should it be taken after all, that
counts. Where too many never end, the process does, and its supervisor starts it with all that it owes.
"""

import queue
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace

import structlog

from daemon.errors import OnCallError
from daemon.oncall.routes import Routes
from daemon.oncall.settings import DeliverySettings
from daemon.oncall.store import OnCallStore, Owed

log = structlog.get_logger()

AT_ONCE = 4
STUCK_AFTER_S = 30.0
ENDLESS_AT_MOST = 40
"""Tries that were given up and have not ended (project judgement): each has a thread."""
ENDS_WITHIN_S = 10.0
LONGEST_AGAIN_MS = 600_000


@dataclass(frozen=True, slots=True, eq=False)
class _Try:
    owed: Owed
    since_s: float
    thread: threading.Thread


class OnCallOutbox:
    """Tries what the store owes; `undelivered` collects calls that no route of their person took."""

    def __init__(self, store: OnCallStore, routes: Routes, delivery: DeliverySettings) -> None:
        self._store = store
        self._routes = routes
        self._tries = delivery.tries
        self._retry_ms = round(delivery.retry_s * 1000)
        self._again_ms = round(delivery.again_s * 1000)
        self._under_way: dict[str, _Try] = {}
        self._endless = 0
        self._results: queue.SimpleQueue[tuple[Owed, threading.Thread, bool | BaseException]]
        self._results = queue.SimpleQueue()

    def send(self, now_ms: int) -> None:
        """Begin to send what is due, the most urgent first; OnCallError where too many tries never end."""
        if self._endless > ENDLESS_AT_MOST:
            raise OnCallError(f"{self._endless} calls neither taken nor refused; start again")
        for owed in self._store.owed(now_ms, AT_ONCE + len(self._under_way)):
            if owed.id not in self._under_way and len(self._under_way) < AT_ONCE:
                thread = threading.Thread(target=self._try, args=(owed,), daemon=True)
                self._under_way[owed.id] = _Try(owed, time.monotonic(), thread)
                thread.start()

    def _try(self, owed: Owed) -> None:
        result: bool | BaseException
        try:
            count = self._routes.count(owed.person)
            result = bool(count) and self._routes.send(owed.person, owed.route % count, owed.title, owed.text)
        except BaseException as error:
            result = error
        self._results.put((owed, threading.current_thread(), result))

    def settle(self, now_ms: int, undelivered: Callable[[str], None]) -> bool:
        """Write down what came of the tries since the last time; return whether a call was taken.

        Call it within a transaction.
        """
        taken = False
        with suppress(queue.Empty):
            while True:
                owed, thread, result = self._results.get_nowait()
                late = not self._is_under_way(owed.id, thread)
                if late:
                    self._endless -= 1
                else:
                    del self._under_way[owed.id]
                if isinstance(result, BaseException):
                    raise result
                if result:
                    taken = True
                    self._store.mark_sent(owed.id, now_ms)
                    self._endless += self._under_way.pop(owed.id, None) is not None  # a try of no use now
                    log.info("sent", call=owed.id, to=owed.person, route=owed.route + 1)
                elif not late:
                    self._put_off(owed, now_ms, undelivered)
        self._give_up(now_ms, undelivered)
        return taken

    def _is_under_way(self, call: str, thread: threading.Thread) -> bool:
        known = self._under_way.get(call)
        return known is not None and known.thread is thread

    def _give_up(self, now_ms: int, undelivered: Callable[[str], None]) -> None:
        """Put off what takes too long, so that it keeps nobody else waiting."""
        latest_s = time.monotonic() - STUCK_AFTER_S
        for slow in [its for its in self._under_way.values() if its.since_s < latest_s]:
            del self._under_way[slow.owed.id]
            self._endless += 1
            self._put_off(replace(slow.owed, tries=self._tries), now_ms, undelivered)  # to the next route

    def _put_off(self, owed: Owed, now_ms: int, undelivered: Callable[[str], None]) -> None:
        log.error("not_sent", call=owed.id, to=owed.person, route=owed.route + 1, tries=owed.tries + 1)
        if owed.tries + 1 < self._tries:
            due_ms = now_ms + self._retry_ms
            self._store.try_later(owed.id, owed.route, owed.tries + 1, owed.rounds, due_ms)
        elif owed.route + 1 < self._routes.count(owed.person):
            self._store.try_later(owed.id, owed.route + 1, 0, owed.rounds, now_ms)
        else:
            again_ms = min(self._again_ms * 2 ** min(owed.rounds, 10), max(LONGEST_AGAIN_MS, self._again_ms))
            self._store.try_later(owed.id, 0, 0, owed.rounds + 1, now_ms + again_ms)
            undelivered(owed.id)

    def close(self) -> None:
        """Wait for what is being sent, a little."""
        for each in self._under_way.values():
            each.thread.join(ENDS_WITHIN_S)
