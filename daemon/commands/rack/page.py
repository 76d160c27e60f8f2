"""`bellwatch page`: the rack's page for browsers, a process of its own beside the watch."""

import argparse
import os
import time

from daemon.check.load import load_settings
from daemon.check.page import acts_findings, certificate_findings
from daemon.commands.options import add_settings, stopped_by_signals
from daemon.errors import Finding, SettingsError, SignInError
from daemon.page.pages import rack_pages
from daemon.page.people import devices_of
from daemon.settings.rack import Settings
from daemon.web.sign_in import CODE_LASTS_MS
from rules.errors import none_such

_NICE = 10
"""The watch beside it comes first, also while the page reads a year (nice value, POSIX)."""


def page_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `page`."""
    parser.add_argument("--pair", metavar="NAME", help="show a code that makes a device this person's, once")
    add_settings(parser)
    parser.set_defaults(command=_page)


def _page(options: argparse.Namespace) -> int:
    settings = load_settings(options.settings)
    page, people = settings.page, settings.rack.people
    if findings := [*certificate_findings(page), *acts_findings(page, people)]:
        raise SettingsError(findings)
    if options.pair is not None:
        return _pair(settings, options.pair)
    stop = stopped_by_signals()
    os.nice(_NICE)
    try:
        with rack_pages(settings, stop) as pulse:
            scheme = "https" if page.tls() else "http"
            print(f"the rack's page: {scheme}://{page.host}:{page.port}/", flush=True)
            stop.wait()
    except OSError as error:
        found = f"{page.host}:{page.port} ({error.strerror or error})"
        raise SettingsError([Finding("page", found, "an address of this machine that is free")]) from error
    return int(pulse.failed)


def _pair(settings: Settings, person: str) -> int:
    if not settings.page.acts:
        raise SignInError("page.acts: nobody acts from the page; set `acts = true` under [page] first")
    if person not in settings.rack.people:
        raise SignInError(f"pair: {none_such(person, settings.rack.people)}")
    code = devices_of(settings).new_code(person, int(time.time() * 1000))
    within_min = CODE_LASTS_MS // 60_000
    print(f"{code[:5]} {code[5:]}\n{person}: type this at Sign in, within {within_min} min, once")
    return 0
