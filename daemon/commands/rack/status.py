"""`bellwatch status`: what every vessel is like now, worst first, on a terminal or as JSON."""

import argparse
import json
import time

from rich.console import Console
from rich.text import Text

from daemon.check.load import load_settings
from daemon.commands.options import add_settings, stopped_by_signals
from daemon.commands.rack.lines import plain, shows_utf8
from daemon.commands.rack.log import entry_lines
from daemon.commands.rack.rack_text import rack_lines
from daemon.errors import JournalError
from daemon.settings.rack import Settings
from daemon.view.rack import only, rack_now
from daemon.view.rack_now import Overall, RackNow
from daemon.view.reader import JournalView

NARROWEST, WIDEST = 60, 200
REDRAWN_EVERY_S = 5.0
LAST_ENTRIES = 5

EXIT_STATUS = {
    Overall.WELL: 0,
    Overall.ALARMS_HELD: 0,
    Overall.PARTLY_UNWATCHED: 3,
    Overall.ALARM: 4,
    Overall.NOT_WATCHED: 5,
}
"""By how it is; 1 and 2 are those of every command: failed, wrong use or settings."""


def status_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `status`."""
    told = "; ".join(f"{code} {how}" for how, code in EXIT_STATUS.items())
    parser.description = f"Show what every vessel is like now, worst first. Exit status: {told}."
    parser.add_argument("vessel", nargs="?", help="this vessel alone, in full")
    add_settings(parser)
    parser.add_argument(
        "--watch", action="store_true", help=f"draw it anew every {REDRAWN_EVERY_S:.0f} s until interrupted"
    )
    parser.add_argument("--json", action="store_true", help="as JSON, for other programs")
    parser.add_argument("--schema", action="store_true", help="write the JSON Schema of that instead")
    parser.set_defaults(command=_status)


def _status(options: argparse.Namespace) -> int:
    terminal = Console(markup=False, emoji=False)
    if options.schema:
        return print_schema(terminal)
    settings = load_settings(options.settings)
    if options.watch:
        return _watch(settings, terminal, options.vessel)
    now_ms = int(time.time() * 1000)
    return status_command(settings, terminal, now_ms, as_json=options.json, vessel=options.vessel)


def status_command(
    settings: Settings, console: Console, now_ms: int, *, as_json: bool = False, vessel: str | None = None
) -> int:
    """Print the state of the rack, or of a vessel alone, and return the exit status that stands for it.

    JournalError where there is no journal yet, or no such vessel.
    """
    rack = _look(JournalView(settings), now_ms, vessel)
    if as_json:
        from daemon.view.as_json import rack_json  # noqa: PLC0415 - slow to load, and only needed here

        console.out(rack_json(rack), highlight=False)
    else:
        show_rack(rack, console, alone=vessel is not None)
        for line in entry_lines(settings, vessel, at_most=LAST_ENTRIES) if vessel else ():
            said = f"  logbook {line}"
            shown = said if shows_utf8(console.encoding) else plain(said)
            console.print(shown, highlight=False, soft_wrap=True)
    return EXIT_STATUS[rack.overall]


def _look(view: JournalView, now_ms: int, vessel: str | None) -> RackNow:
    rack = rack_now(view, now_ms)
    return rack if vessel is None else only(rack, vessel)


def _watch(settings: Settings, console: Console, vessel: str | None) -> int:
    """Draw the rack again and again; what cannot be read now is said in its place, and looked for again."""
    stop, view, status = stopped_by_signals(), JournalView(settings), 0
    while not stop.is_set():
        try:
            rack = _look(view, int(time.time() * 1000), vessel)
        except JournalError as error:
            console.clear()
            console.print(f"{_NO_RACK} {error}", soft_wrap=True, highlight=False)
            status = EXIT_STATUS[Overall.NOT_WATCHED]
        else:
            console.clear()
            show_rack(rack, console, alone=vessel is not None)
            status = EXIT_STATUS[rack.overall]
        stop.wait(REDRAWN_EVERY_S)
    return status


_NO_RACK = "NOTHING IS KNOWN NOW:"


def show_rack(rack: RackNow, console: Console, *, alone: bool = False) -> None:
    """Print what is now: what needs somebody, every vessel, worst first, and the machinery."""
    width = min(max(console.width, NARROWEST), WIDEST)
    for line, style in rack_lines(rack, width, utf8=shows_utf8(console.encoding), alone=alone):
        console.print(Text(line, style=style), soft_wrap=True)


def print_schema(console: Console) -> int:
    """Print the JSON Schema of what `--json` prints."""
    from daemon.view.as_json import rack_schema  # noqa: PLC0415

    console.out(json.dumps(rack_schema(), indent=2, ensure_ascii=False), highlight=False)
    return 0
