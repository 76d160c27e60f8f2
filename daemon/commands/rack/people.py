"""The commands by which people act on alarms, stages, maintenance and the logbook."""

import argparse
import getpass
import re
from typing import Any

from daemon.check.load import load_settings
from daemon.journal.asking import ask_daemon
from rules.deeds import LOG_KINDS

_SECONDS = {"s": 1, "m": 60, "h": 3_600, "d": 86_400}

Commands = argparse._SubParsersAction


def duration_s(text: str) -> float:
    """Read a length of time such as 90m, 2h or 8d; a bare number is refused, since it could mean anything."""
    match = re.fullmatch(r"(\d+(?:\.\d+)?)([smhd])", text)
    if match is None:
        raise argparse.ArgumentTypeError(f"found {text!r}; expected a number and s, m, h or d, such as 90m")
    return float(match[1]) * _SECONDS[match[2]]


def add_people_parsers(commands: "Commands[argparse.ArgumentParser]") -> list[argparse.ArgumentParser]:
    """Add a parser for each thing that people do; return them."""
    made = [
        _on_alarms(commands, "ack", "acknowledge", "say that you have seen an alarm", "acknowledged"),
        _on_alarms(commands, "reset", "reset", "let a latched alarm go", "reset"),
        _with_reason(
            _on_alarms(commands, "shelve", "shelve", "keep an alarm quiet for a while", "shelved"), True
        ),
        _on_alarms(commands, "unshelve", "unshelve", "take an alarm off the shelf", "off the shelf"),
        _with_reason(
            _on_alarms(
                commands,
                "out-of-service",
                "take_out_of_service",
                "switch an alarm off until it is put back",
                "out of service",
            ),
            False,
        ),
        _on_alarms(
            commands, "back-in-service", "put_back_into_service", "put an alarm back", "back in service"
        ),
        _stage(commands),
        _maintain(commands),
        _log(commands),
    ]
    for parser in made:
        parser.add_argument("--who", default=getpass.getuser(), help="your name (default: %(default)s)")
    return made


def _on_alarms(
    commands: "Commands[argparse.ArgumentParser]", name: str, kind: str, help_text: str, done: str
) -> argparse.ArgumentParser:
    parser = commands.add_parser(name, help=help_text, description=help_text)
    parser.add_argument("alarm", nargs="+", help="its name, such as kreisel-1/temperature/high")
    parser.set_defaults(command=lambda options: _for_each_alarm(options, kind, done))
    return parser


def _with_reason(parser: argparse.ArgumentParser, bounded: bool) -> argparse.ArgumentParser:
    parser.add_argument("--why", required=True, help="the reason, for those who come after you")
    if bounded:
        parser.add_argument("--for", dest="for_s", type=duration_s, required=True, help="how long: 90m, 2h")
    return parser


def _for_each_alarm(options: argparse.Namespace, kind: str, done: str) -> int:
    body = {key: value for key in ("why", "for_s") if (value := getattr(options, key, None)) is not None}
    for alarm in options.alarm:
        _ask(options, kind, {"alarm": alarm, **body}, f"{alarm}: {done} by {options.who}")
    return 0


def _ask(options: argparse.Namespace, kind: str, body: dict[str, Any], done: str) -> int:
    ask_daemon(load_settings(options.settings).journal.path, kind, body, options.who)
    print(done)
    return 0


def _stage(commands: "Commands[argparse.ArgumentParser]") -> argparse.ArgumentParser:
    parser = commands.add_parser("stage", help="move a vessel to another life stage")
    parser.add_argument("vessel")
    parser.add_argument("stage", help="planula, polyp, strobila, ephyra, juvenile, adult, or one of yours")
    parser.add_argument(
        "--over", dest="over_s", type=duration_s, default=0.0, help="let the limits move this slowly: 8d"
    )

    def move(options: argparse.Namespace) -> int:
        body = {"vessel": options.vessel, "stage": options.stage, "over_s": options.over_s}
        return _ask(options, "move_stage", body, f"{options.vessel}: now {options.stage}")

    parser.set_defaults(command=move)
    return parser


def _maintain(commands: "Commands[argparse.ArgumentParser]") -> argparse.ArgumentParser:
    parser = commands.add_parser("maintain", help="keep alarms quiet while you work on a vessel or bus")
    parser.add_argument("target", help="vessel/NAME or bus/NAME")
    how = parser.add_mutually_exclusive_group(required=True)
    how.add_argument("--for", dest="for_s", type=duration_s, help="how long: 45m, 2h")
    how.add_argument("--end", action="store_true", help="you are done before the time")
    parser.add_argument("--why", default="", help="what you are doing; needed to begin")

    def maintain(options: argparse.Namespace) -> int:
        if options.end:
            done = f"{options.target}: maintenance over"
            return _ask(options, "end_maintenance", {"target": options.target}, done)
        body = {"target": options.target, "for_s": options.for_s, "why": options.why}
        return _ask(options, "begin_maintenance", body, f"{options.target}: under maintenance")

    parser.set_defaults(command=maintain)
    return parser


def _log(commands: "Commands[argparse.ArgumentParser]") -> argparse.ArgumentParser:
    parser = commands.add_parser("log", help="write into the logbook of a vessel")
    parser.add_argument("vessel")
    parser.add_argument("what", choices=LOG_KINDS)
    parser.add_argument("value", type=float, nargs="?", help="a number, such as a bell diameter in mm")
    parser.add_argument("--note", default="", help="in words")

    def log(options: argparse.Namespace) -> int:
        body: dict[str, Any] = {"vessel": options.vessel, "what": options.what, "note": options.note}
        if options.value is not None:
            body["value"] = options.value
        return _ask(options, "log", body, f"{options.vessel}: {options.what} written down")

    parser.set_defaults(command=log)
    return parser
