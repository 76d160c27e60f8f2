"""`bellwatch culture`: batches of animals, written down in a line of short clauses, and read back."""

import argparse
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

from daemon.check.load import load_settings
from daemon.commands.options import add_settings, needing
from daemon.commands.rack.request import add_request, ask, writer
from daemon.culture.clauses import Asked, asked_by, clauses, known_of
from daemon.culture.csv import new_rows, write_acts, write_days
from daemon.culture.due import due_lines
from daemon.culture.record import Record, record_of
from daemon.culture.words import cohort_lines, overview_lines
from daemon.errors import JournalError, RequestError
from daemon.settings.rack import Settings
from rules.culture.acts import Act, act_of
from rules.culture.cohorts import culture_of
from rules.culture.refusals import unfit_act, unfit_sample
from rules.errors import RulesError, none_such

_NOT_YET = 1_000_000_000_000
"""Beyond every number of an entry: acts that are still to be written down."""


def culture_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `culture`."""
    add = parser.add_argument
    add("cohort", nargs="?", help="the code of a batch of animals; without it: all of them")
    add("words", nargs="*", help="what was done, clauses parted by commas: move 40 k1 k2, bells 8.1 9.2")
    add("--another", action="store_true", help="it is not what somebody else has just written down")
    add("--water", action="store_true", help="also the water that the batch had, through its moves")
    files = parser.add_mutually_exclusive_group()
    files.add_argument("--acts", type=Path, metavar="CSV", help="write every act to a file")
    files.add_argument("--days", type=Path, metavar="CSV", help="write each day of each batch with its water")
    files.add_argument("--read", type=Path, metavar="CSV", help="take the acts of such a file in")
    files.add_argument("--label", metavar="VESSEL", help="write VESSEL.html, a label to print")
    add_request(parser, _culture)
    parser.set_defaults(who="")


def due_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `due`."""
    add_settings(parser)
    parser.set_defaults(command=_due)


def _due(options: argparse.Namespace) -> int:
    settings, now_ms = load_settings(options.settings), int(time.time() * 1000)
    print(*due_lines(settings, now_ms), sep="\n")
    return 0


def _culture(options: argparse.Namespace) -> int:
    settings = load_settings(options.settings)
    if options.words or options.read:
        return _write_down(settings, options)
    record = record_of(settings)
    if options.acts or options.days:
        path = options.acts or options.days
        count = write_acts(record, path) if options.acts else write_days(record, path)
        print(f"{path}: {count} {'acts' if options.acts else 'days'}")
    elif options.label:
        _write_label(record, options.label)
    else:
        code, water = options.cohort, options.water
        print(*(cohort_lines(record, code, water) if code else overview_lines(record, water)), sep="\n")
    return 0


def _write_label(record: Record, vessel: str) -> None:
    if vessel not in record.settings.vessels:
        raise JournalError(f"vessel: {none_such(vessel, record.settings.vessels)}")
    with needing("label", "a label"):
        from daemon.culture.label import label_of  # noqa: PLC0415 (an extra)
    path = Path(f"{vessel}.html")
    path.write_text(label_of(record, vessel), encoding="utf-8")
    print(f"{path}: print it; its code opens {vessel}'s page")


def _write_down(settings: Settings, options: argparse.Namespace) -> int:
    """Write down what the clauses, or the rows of a file, say; where one is wrong, nothing."""
    record, now_ms, fit, wrong = record_of(settings), int(time.time() * 1000), [], []
    acts = list(record.acts)
    for where, who, asking in (
        _of_file(record, options) if options.read else _of_line(settings, options, acts)
    ):
        try:
            asked, by = asking(), writer(who, settings.rack.people)
            _refuse_unfit(asked, acts, by, now_ms)
            fit.append((by, asked))
        except (RequestError, RulesError) as error:
            wrong.append(f"{where}: {str(error).removeprefix(f'{where}: ')}")
    if wrong:
        raise RequestError("\n".join([*wrong, "nothing was written down"]))
    for options.who, asked in fit:
        ask(options, asked.kind, asked.body | ({"another": True} if options.another else {}))
        print(f"{asked.body.get('cohort', '')}: {asked.body['what'].replace('_', ' ')} written down")
    return 0


def _of_file(record: Record, options: argparse.Namespace) -> Iterator[tuple[str, str, Callable[[], Asked]]]:
    for row in new_rows(record, options.read):
        yield row.where, row.who or options.who, partial(Asked, row.kind, row.body)


def _of_line(
    settings: Settings, options: argparse.Namespace, acts: list[Act]
) -> Iterator[tuple[str, str, Callable[[], Asked]]]:
    known = known_of(settings)
    for words in clauses(options.words):
        of = culture_of(acts).cohorts.get(options.cohort)
        yield words[0], options.who, partial(asked_by, options.cohort, words, known, of.vessels if of else ())


def _refuse_unfit(asked: Asked, acts: list[Act], who: str, now_ms: int) -> None:
    """Raise where what is asked does not fit the animals by all acts before it; add its act to them."""
    corrected = next((it for it in acts if it.is_entry(asked.body.get("corrects"))), None)
    done_ms = asked.body.get("when_ms", corrected.at_ms if corrected else now_ms)
    culture = culture_of(it for it in acts if it.at_ms <= done_ms and it is not corrected)
    if "corrects" in asked.body and not corrected and asked.kind == "culture":
        raise RequestError(f"corrects: no act has the number {asked.body['corrects']}")
    if done_ms > now_ms:
        raise RequestError("when: expected a moment that is not still to come")
    made = [] if asked.kind == "log" else [act_of(_NOT_YET + len(acts), done_ms, who, asked.body)]
    if unfit := unfit_act(culture, made[0]) if made else unfit_sample(culture, asked.body):
        raise RequestError(unfit)
    acts += made
