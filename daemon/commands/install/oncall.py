"""`bellwatch oncall`: runs the on-call process, checks its settings, acknowledges, tries routes."""

import argparse
import csv
import os
import sys
import time
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import TextIO
from zoneinfo import ZoneInfo

from daemon.commands.options import add_who, stopped_by_signals
from daemon.errors import OnCallError
from daemon.journal.asking import ANSWER_WITHIN_S, awaited
from daemon.oncall.call_text import at_the_rack, call_text
from daemon.oncall.check import duty_lines, examine, load_oncall
from daemon.oncall.daily_text import drill_text
from daemon.oncall.duty import duty_of
from daemon.oncall.ledger import ledger
from daemon.oncall.routes import Routes
from daemon.oncall.settings import OnCallSettings, mark_of
from daemon.oncall.store import OnCallStore
from daemon.oncall.text_message import one_message
from daemon.tables.values import cell
from daemon.words import iso_time
from rules.calling.escalation import Escalation
from rules.calling.records import Answer, Call, CallKind, Reply, Stand

USUAL_SETTINGS = "/etc/bellwatch/oncall.toml"
OK, FAILED, UNFIT = 0, 1, 2
_GREETING_LASTS_MS = 86_400_000
NOT_TAKEN_SHOWN_MS = 86_400_000
_GREETING = "Greeting of on-call, no alarm. It came through to {person}."


def oncall_arguments(oncall: argparse.ArgumentParser) -> None:
    """Add the arguments of `oncall` and of what can be asked of it."""
    oncall.add_argument("--check", type=Path, metavar="FILE", help="say everything that is wrong with FILE")
    oncall.set_defaults(command=_run)
    asked = oncall.add_subparsers(metavar="WHAT")
    ack = asked.add_parser("ack", help="say that you have seen a problem")
    ack.add_argument("number", nargs="*", type=_number, help="its number in the message: 41 of #41.2")
    ack.add_argument("--all-of", metavar="RACK", help="all that calls of a rack: one answer for a flood")
    add_who(ack)
    ack.add_argument("--on-my-way", type=_minutes, metavar="MIN", help="and will be there in so many minutes")
    ack.add_argument("--next", action="store_true", help="call the next person instead")
    ack.add_argument("--quiet", action="store_true", help="call nobody for half an hour")
    ack.set_defaults(command=_ack)
    status = asked.add_parser("status", help="show who is on call and what calls")
    status.set_defaults(command=_status)
    greeting = asked.add_parser("greet", help="send a greeting through every route of a person")
    greeting.add_argument("person", help="a name of the rota")
    greeting.set_defaults(command=_greet)
    read = asked.add_parser("ledger", help="write who was told of each alarm and when, as CSV")
    read.add_argument("journal", type=Path, help="the rack's journal, or a copy of it (bellwatch backup)")
    read.set_defaults(command=_ledger)
    usual = _usual_settings()
    for parser in (oncall, ack, status, greeting, read):
        default = usual if parser is oncall else argparse.SUPPRESS
        parser.add_argument(
            "--settings", type=Path, default=default, help=f"on-call settings file (default: {usual})"
        )


def _usual_settings() -> Path:
    return Path(os.environ.get("BELLWATCH_ONCALL_SETTINGS", USUAL_SETTINGS))


def _number(text: str) -> int:
    """Read a problem's number, also as a message shows it: 41, #41 or #41.2."""
    return int(text.removeprefix("#").partition(".")[0])


def _minutes(text: str) -> int:
    if not text.isdecimal() or not 0 < int(text) <= 120:
        raise argparse.ArgumentTypeError(f"{text!r}: minutes until you are there, 1 to 120")
    return int(text)


def _run(options: argparse.Namespace) -> int:
    if options.check is not None:
        return check_command(options.check, sys.stdout)
    from daemon.logs import set_up_logs  # noqa: PLC0415  (what only the process needs is slow to load)
    from daemon.oncall.assembly import run  # noqa: PLC0415

    set_up_logs()
    run(*load_oncall(options.settings), stopped_by_signals())
    return OK


def check_command(path: Path, out: TextIO) -> int:
    """Print what is wrong with the settings at `path`; return 0 if the process would start, 2 if not."""
    settings, routes, found = examine(path)
    for finding in found:
        print(finding, file=out)
    errors = [finding for finding in found if not finding.is_warning]
    if errors or settings is None:
        print(f"{len(errors)} error{'' if len(errors) == 1 else 's'}", file=out)
        return UNFIT
    for line in duty_lines(settings, routes):
        print(line, file=out)
    rota = settings.rota
    print(
        f"OK: {len(rota.people)} people with {sum(map(len, routes.values()))} routes, "
        f"hand-over on {rota.first_day:%A}s at {rota.hand_over:%H:%M}",
        file=out,
    )
    return OK


def _ack(options: argparse.Namespace) -> int:
    answer, refused = _answer_of(options), 0
    if not options.number and options.all_of is None:
        raise OnCallError("nothing to answer: a number of a message, or --all-of RACK")
    with closing(_existing_store(options.settings)) as store:
        for number in [*options.number, *(_calling_of(options.all_of, store, options.settings))]:
            try:
                _wait_for_answer(store, store.ask(number, answer), number)
            except OnCallError as error:  # one refused keeps none of the others from being taken
                print(error, file=sys.stderr)
                refused += 1
            else:
                print(f"{number}: {answer.reply}, says {options.who}")
    return UNFIT if refused else OK


def _calling_of(rack: str | None, store: OnCallStore, path: Path) -> list[int]:
    """Return the problems of a rack that call now; none where no rack is named."""
    state = store.state()
    if rack is None or state is None:
        return []
    team = Escalation.restore(state, duty_of(load_oncall(path)[0]))
    return [its.number for its in team.calls.of_rack(rack) if its.urgency is not None]


def _answer_of(options: argparse.Namespace) -> Answer:
    if options.next or options.quiet:
        return Answer(Reply.NEXT if options.next else Reply.QUIET, options.who)
    if options.on_my_way is None:
        return Answer(Reply.SEEN, options.who)
    return Answer(Reply.ON_MY_WAY, options.who, 60_000 * options.on_my_way)


def _existing_store(path: Path) -> OnCallStore:
    settings, addresses = load_oncall(path)
    if not settings.oncall.state.exists():
        raise OnCallError(f"on-call state {settings.oncall.state}: no such file; `bellwatch oncall` makes it")
    store = OnCallStore(settings.oncall.state)
    if not store.runs_by(mark_of(settings, addresses)):
        other = f"{path} and its addresses are not what the on-call process runs by; start that again"
        print(other, file=sys.stderr)
    return store


def _wait_for_answer(store: OnCallStore, request: int, number: int) -> None:
    refusal = awaited(lambda: store.answer_to(request), ANSWER_WITHIN_S)
    if refusal is None:
        raise OnCallError(
            f"{number}: no answer from the on-call process in {ANSWER_WITHIN_S:.0f} s; "
            "it takes this up when it runs"
        )
    if refusal:
        raise OnCallError(refusal)


def _status(options: argparse.Namespace) -> int:
    settings, _ = load_oncall(options.settings)
    store = _existing_store(options.settings)
    now_ms = int(time.time() * 1000)
    state, waiting, not_taken = store.state(), store.waiting(), store.not_taken(now_ms - NOT_TAKEN_SHOWN_MS)
    duty, zone = duty_of(settings), ZoneInfo(settings.oncall.time_zone)
    team = Escalation(duty, now_ms) if state is None else Escalation.restore(state, duty)
    drill = team.calls.practice.newest
    routes = store.routes_of(drill.number) if drill else []
    store.close()
    print(f"On call: {', then '.join(duty.rota.line_up(now_ms))}")
    print(f"State of {datetime.fromtimestamp(team.clock_ms / 1000, UTC).astimezone(zone):%d.%m.%Y %H:%M:%S}")
    print(f"Messages that nobody has taken yet: {waiting}")
    if duty.pair:
        print(f"Other watcher, {duty.pair.other}: {'MISSING' if team.calls.waiting.missing else 'heard'}")
    if drill:
        print(drill_text(drill, routes))
    for problem in team.problems():
        urgency, about = problem.urgency, problem.words(Stand.CALLS, Stand.SEEN, Stand.SILENCED)
        worst = max(word.event.priority for word in about)
        said = f"calls, {len(problem.told)} told" if urgency is not None else "seen or silenced"
        if unconfirmed := at_the_rack(problem, passes_on=settings.commands.enabled):
            said = f"{said}, {unconfirmed}"
        call = Call(str(problem.number), CallKind.ALARM, problem.number, "", worst, now_ms, about)
        print(f"{said}: {call_text(call, settings.notes, zone)}")
    for passed, why in not_taken:
        stays = f"the rack refuses it: {why}" if why else "the rack has not answered, there it stays unseen"
        print(f"{passed.rack} {passed.alarm}, seen by {passed.who}: {stays}")
    return OK


def _ledger(options: argparse.Namespace) -> int:
    _existing_store(options.settings).close()
    table = csv.writer(sys.stdout, lineterminator="\n")
    table.writerow(["alarm", "began", "announced", "broker_took", "person", "called", "service_took", "seen"])
    for it in ledger(options.journal, load_oncall(options.settings)[0].oncall.state):
        times = it.since_ms, it.alarm_ms, it.broker_ms, it.call_ms, it.taken_ms, it.seen_ms
        began, announced, broker, *later = ("" if at is None else iso_time(at) for at in times)
        table.writerow([cell(it.alarm), began, announced, broker, cell(it.person), *later])
    return OK


def _greeting_token(settings: OnCallSettings, person: str) -> str:
    with closing(OnCallStore(settings.oncall.state)) as store, store.transaction():
        now_ms = store.clock().now_ms()
        return store.link_for(person, [], now_ms, now_ms + _GREETING_LASTS_MS)


def _greet(options: argparse.Namespace) -> int:
    settings, addresses = load_oncall(options.settings)
    if options.person not in addresses:
        raise OnCallError(f"{options.person}: not in the rota; it has {', '.join(sorted(addresses))}")
    if settings.oncall.state.exists():
        _existing_store(options.settings).close()
    routes = Routes(addresses)
    failed, said, last = False, _GREETING.format(person=options.person), "#greeting"
    if settings.page:
        said += " Open this, so that messages carry links:"
        last = settings.page.address_of(_greeting_token(settings, options.person))
    text = one_message([(0, said)], "", last)
    for place in range(routes.count(options.person)):
        taken = routes.send(options.person, place, "bellwatch greeting", text)
        failed |= not taken
        print(f"{options.person}, route {place + 1}: {'taken' if taken else 'NOT taken'}")
    return FAILED if failed else OK
