"""Sending calls: tried on each of a person's routes, again and again, until the library says it went.

Sending may take seconds, so each try has a thread of its own, a few at a time; only the results come
back to the one thread that keeps the books. A try that never ends would keep its place for ever:
then the process ends, and is started again by its supervisor with everything that it owes.
"""

import queue
import threading
import time
from collections.abc import Callable
from contextlib import suppress

import structlog

from daemon.errors import OnCallError
from daemon.oncall.routes import Routes
from daemon.oncall.settings import DeliverySettings
from daemon.oncall.store import OnCallStore, Owed

log = structlog.get_logger()

AT_ONCE = 4
STUCK_AFTER_S = 120.0
ENDS_WITHIN_S = 10.0
LONGEST_AGAIN_MS = 600_000


class OnCallOutbox:
    """Tries what the store owes; `undelivered` collects calls that no route of their person took."""

    def __init__(self, store: OnCallStore, routes: Routes, delivery: DeliverySettings) -> None:
        self._store = store
        self._routes = routes
        self._tries = delivery.tries
        self._retry_ms = round(delivery.retry_s * 1000)
        self._again_ms = round(delivery.again_s * 1000)
        self._under_way: dict[str, tuple[float, threading.Thread]] = {}
        self._results: queue.SimpleQueue[tuple[Owed, bool | BaseException]] = queue.SimpleQueue()

    def send(self, now_ms: int) -> None:
        """Begin to send what is due, the most urgent first; OnCallError where a try never ends."""
        for call, (since_s, _) in self._under_way.items():
            if time.monotonic() - since_s > STUCK_AFTER_S:
                raise OnCallError(
                    f"call {call}: neither taken nor refused in {STUCK_AFTER_S:.0f} s; start again"
                )
        for owed in self._store.owed(now_ms, AT_ONCE + len(self._under_way)):
            if owed.id not in self._under_way and len(self._under_way) < AT_ONCE:
                thread = threading.Thread(target=self._try, args=(owed,), daemon=True)
                self._under_way[owed.id] = time.monotonic(), thread
                thread.start()

    def _try(self, owed: Owed) -> None:
        try:
            count = self._routes.count(owed.person)
            sent = bool(count) and self._routes.send(owed.person, owed.route % count, owed.title, owed.text)
            self._results.put((owed, sent))
        except BaseException as error:
            self._results.put((owed, error))

    def settle(self, now_ms: int, undelivered: Callable[[str], None]) -> bool:
        """Write down what came of the tries since the last time; return whether a call was taken.

        Call it within a transaction.
        """
        taken = False
        with suppress(queue.Empty):
            while True:
                owed, result = self._results.get_nowait()
                del self._under_way[owed.id]
                if isinstance(result, BaseException):
                    raise result
                if result:
                    taken = True
                    self._store.mark_sent(owed.id, now_ms)
                    log.info("sent", call=owed.id, to=owed.person, route=owed.route + 1)
                else:
                    self._put_off(owed, now_ms, undelivered)

        return taken

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
        for _, thread in self._under_way.values():
            thread.join(ENDS_WITHIN_S)
