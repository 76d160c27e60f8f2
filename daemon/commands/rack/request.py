"""Asking the watch for something: what is the same for all, and the commands that do nothing but ask."""

import argparse
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from daemon.commands.options import add_settings, add_who, duration_s, journal_path
from daemon.errors import RequestError
from daemon.journal.asking import ask_daemon
from daemon.tables.values import one_line


def add_request(parser: argparse.ArgumentParser, command: Callable[[argparse.Namespace], int]) -> None:
    """Add who asks, the settings file of the watch that is asked, and the command that asks it."""
    add_who(parser)
    add_settings(parser)
    parser.set_defaults(command=command)


def add_writer(parser: argparse.ArgumentParser, command: Callable[[argparse.Namespace], int]) -> None:
    """Add the same for what goes into the logbook: a person's, never a user account's."""
    parser.add_argument("--who", type=one_line, default="", help="your name, one of `people` in the settings")
    add_settings(parser)
    parser.set_defaults(command=command)


def writer(given: str, people: tuple[str, ...]) -> str:
    """Return who writes, who is one of the settings' people; RequestError where that is nobody."""
    if people and given not in people:
        raise RequestError(f"who: found {given or 'nobody'}; --who is one of {', '.join(people)}")
    if not given:
        raise RequestError('who: --who is missing; people = ["Ada", "Kim"] under [rack] says who may write')
    return given


def ask(options: argparse.Namespace, kind: str, body: Mapping[str, Any]) -> None:
    """Ask the watch for an action; RequestError where it has not done it."""
    ask_daemon(journal_path(options.settings), kind, body, options.who)


def ask_for(options: argparse.Namespace, kind: str, done: str, keys: Sequence[str]) -> int:
    """Ask with the options `keys` that were given, say `done` of them when that is so, and return 0."""
    given = vars(options)
    ask(options, kind, {key: given[key] for key in keys if given[key] is not None})
    print(done.format_map(given))
    return 0


def add_alarms(parser: argparse.ArgumentParser, kind: str, done: str, keys: Sequence[str] = ()) -> None:
    """Add the alarms that are to be asked for, each by one request that also holds the options `keys`."""

    def each(options: argparse.Namespace) -> int:
        body = {key: value for key in keys if (value := getattr(options, key)) is not False}
        refused = []
        for alarm in _alarms(options, kind):
            try:
                ask(options, kind, {"alarm": alarm, **body})
            except RequestError as error:  # one refused keeps none of the others from being done
                refused.append(str(error))
            else:
                print(f"{alarm}: {done} by {options.who}")
        if refused:
            raise RequestError("\n".join(refused))
        return 0

    all_of = "; a vessel alone means all of it that nobody has seen" if kind == "acknowledge" else ""
    parser.add_argument("alarm", nargs="+", help=f"its name, such as kreisel-1/temperature/high{all_of}")
    if "why" in keys:
        parser.add_argument("--why", required=True, help="the reason, for those who come after you")
    add_request(parser, each)


def _alarms(options: argparse.Namespace, kind: str) -> list[str]:
    """Return the alarms that are named; for a vessel alone, to acknowledge, what nobody has seen there."""
    alarms: list[str] = []
    for name in options.alarm:
        alarms += _unseen(options.settings, name) if kind == "acknowledge" and "/" not in name else [name]
    return alarms


def _unseen(settings: Path, vessel: str) -> list[str]:
    import time  # noqa: PLC0415

    from daemon.check.load import load_settings  # noqa: PLC0415  (slow to load; a named alarm needs none of it)
    from daemon.view.rack import only, rack_now  # noqa: PLC0415
    from daemon.view.reader import JournalView  # noqa: PLC0415
    from rules.alarms.life_cycle import State  # noqa: PLC0415

    unseen = (State.UNACKNOWLEDGED, State.RETURNED, State.LATCHED_UNACKNOWLEDGED)

    rack = only(rack_now(JournalView(load_settings(settings)), int(time.time() * 1000)), vessel)
    if not (found := [alarm.name for alarm in rack.alarms if alarm.state in unseen]):
        raise RequestError(
            f"{vessel}: no alarm that nobody has seen; `bellwatch status {vessel}` shows what stands"
        )
    return found


ack_arguments = partial(add_alarms, kind="acknowledge", done="acknowledged")
reset_arguments = partial(add_alarms, kind="reset", done="reset")
unshelve_arguments = partial(add_alarms, kind="unshelve", done="off the shelf")
out_of_service_arguments = partial(
    add_alarms, kind="take_out_of_service", done="out of service", keys=("why",)
)
back_in_service_arguments = partial(add_alarms, kind="put_back_into_service", done="back in service")


def shelve_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `shelve`."""
    parser.add_argument("--for", dest="for_s", type=duration_s, required=True, help="how long: 90m, 2h")
    parser.add_argument("--yes-critical", action="store_true", help="needed for a critical alarm")
    add_alarms(parser, "shelve", "shelved", ("why", "for_s", "yes_critical"))


def stage_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `stage`."""
    parser.add_argument("vessel")
    parser.add_argument("stage", help="planula, polyp, strobila, ephyra, juvenile, adult, or one of yours")
    parser.add_argument(
        "--over", dest="over_s", type=duration_s, default=0.0, help="let the limits move this slowly: 8d"
    )
    keys = ("vessel", "stage", "over_s")
    add_request(parser, partial(ask_for, kind="move_stage", done="{vessel}: now {stage}", keys=keys))


def drill_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `drill`."""
    done = (
        "Drill asked for by {who}: `bellwatch oncall status`, where people are called from, shows its result"
    )
    add_request(parser, partial(ask_for, kind="drill", done=done, keys=()))


def maintain_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `maintain`."""
    parser.add_argument("target", help="vessel/NAME or bus/NAME")
    how = parser.add_mutually_exclusive_group(required=True)
    how.add_argument("--for", dest="for_s", type=duration_s, help="how long: 45m, 2h")
    how.add_argument("--end", action="store_true", help="you are done before the time")
    parser.add_argument("--why", default="", help="what you are doing; needed to begin")
    add_request(parser, _maintain)


def _maintain(options: argparse.Namespace) -> int:
    if options.end:
        return ask_for(options, "end_maintenance", "{target}: maintenance over", ("target",))
    keys = ("target", "for_s", "why")
    return ask_for(options, "begin_maintenance", "{target}: under maintenance", keys)
