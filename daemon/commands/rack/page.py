"""`bellwatch page`: the rack's page for browsers, a process of its own beside the watch."""

import argparse

from daemon.check.load import load_settings
from daemon.commands.options import add_settings, stopped_by_signals
from daemon.errors import Finding, SettingsError
from daemon.page.pages import rack_pages


def page_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `page`."""
    add_settings(parser)
    parser.set_defaults(command=_page)


def _page(options: argparse.Namespace) -> int:
    settings = load_settings(options.settings)
    page, stop = settings.page, stopped_by_signals()
    if (page.certificate is None) != (page.key is None):
        raise SettingsError([Finding("page", "one of certificate and key", "both, or neither")])
    try:
        with rack_pages(settings, stop) as pulse:
            scheme = "https" if page.certificate else "http"
            print(f"the rack's page: {scheme}://{page.host}:{page.port}/", flush=True)
            stop.wait()
    except OSError as error:
        found = f"{page.host}:{page.port} ({error.strerror or error})"
        raise SettingsError([Finding("page", found, "an address of this machine that is free")]) from error
    return int(pulse.failed)
