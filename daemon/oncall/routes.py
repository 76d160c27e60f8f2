"""The routes by which each person is reached: addresses that are secrets, kept in a file of their own.

Each address is a URL of the `apprise` library, which knows how to write to some hundred services,
by SMS gateway, e-mail, chat or plain HTTP. An address holds passwords and numbers, so neither it nor
any part of it is ever shown or logged: a route is named by its person and its place in the list.
"""

import logging
import os
import stat
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from daemon.errors import Finding, MissingExtraError, SettingsError
from daemon.settings.toml import read_toml

_OTHERS = stat.S_IRWXO | stat.S_IWGRP


def read_routes(path: Path, people: Sequence[str]) -> tuple[dict[str, list[str]], list[Finding]]:
    """Return the addresses of each person, and everything that is wrong with the file."""
    try:
        values = read_toml(path)
        mode = path.stat().st_mode
    except SettingsError as error:
        return {}, [Finding(p.path, p.found, "the routes: NAME = [ADDRESS, ...]") for p in error.findings]
    found = []
    if os.name == "posix" and mode & _OTHERS:
        is_open = f"a file of mode {stat.S_IMODE(mode):04o}"
        found.append(Finding(str(path), is_open, "0600 or 0640: it is secret"))
    routes: dict[str, list[str]] = {}
    for person in people:
        where = f"{path}: {person}"
        addresses = values.get(person)
        if not isinstance(addresses, list) or not addresses:
            found.append(Finding(where, "no route", "a list of at least one address"))
            continue
        routes[person] = [address for address in addresses if isinstance(address, str)]
        found += [
            Finding(f"{where}[{index}]", "an address that is not shown", "one that the apprise library knows")
            for index, address in enumerate(addresses)
            if not isinstance(address, str) or _route(address) is None
        ]
    for name in sorted(set(values) - set(people)):
        a_stranger = "a person who is not in rota.people"
        found.append(Finding(f"{path}: {name}", a_stranger, "the name as it is there", True))
    return routes, found


class Routes:
    """Sends through the routes of each person; every method may be called from any thread."""

    def __init__(self, routes: Mapping[str, Sequence[str]]) -> None:
        # The library's own log names addresses.
        logging.getLogger("apprise").setLevel(logging.CRITICAL + 1)
        self._routes = {
            person: [made for address in addresses if (made := _route(address)) is not None]
            for person, addresses in routes.items()
        }

    def count(self, person: str) -> int:
        """Return how many routes a person has; 0 for a person who is unknown."""
        return len(self._routes.get(person, ()))

    def send(self, person: str, place: int, title: str, text: str) -> bool:
        """Send through one route; return whether the library says that it was taken.

        A route without titles gets the text alone, so that it stays one text message.
        """
        route = self._routes[person][place]
        has_title = getattr(route, "title_maxlen", 0) > 0
        return bool(route.notify(body=text, title=title if has_title else ""))


def _route(address: str) -> Any | None:  # noqa: ANN401  (the library has no types)
    try:
        import apprise  # noqa: PLC0415  (an extra: only the on-call process needs it)
    except ImportError:
        raise MissingExtraError("the messages need apprise: pip install '.[oncall]' here") from None
    return apprise.Apprise.instantiate(address, suppress_exceptions=True)
