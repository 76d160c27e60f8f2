"""`bellwatch page`: the rack's page for browsers, a process of its own beside the watch."""

import argparse
import os

from daemon.check.load import load_settings
from daemon.check.page import certificate_findings
from daemon.commands.options import add_settings, stopped_by_signals
from daemon.errors import Finding, SettingsError
from daemon.page.pages import rack_pages

_NICE = 10
"""The watch beside it comes first, also while the page reads a year (nice value, POSIX)."""


def page_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `page`."""
    add_settings(parser)
    parser.set_defaults(command=_page)


def _page(options: argparse.Namespace) -> int:
    settings = load_settings(options.settings)
    page, stop = settings.page, stopped_by_signals()
    if findings := list(certificate_findings(page)):
        raise SettingsError(findings)
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
