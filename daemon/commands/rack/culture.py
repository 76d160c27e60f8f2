"""`bellwatch culture`: batches of animals, written down in a line of short clauses, and read back."""

import argparse
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

from daemon.check.load import load_settings
from daemon.commands.options import add_settings, needing
from daemon.commands.rack.request import add_writer, ask, writer
from daemon.culture.clauses import Asked, asked_by, clauses, known_of
from daemon.culture.csv import new_rows, write_acts, write_days
from daemon.culture.due import Due
from daemon.culture.record import Record, record_of
from daemon.culture.words import cohort_lines, overview_lines, written_text
from daemon.errors import JournalError, RequestError
from daemon.journal.journal import reading
from daemon.journal.logbook import CULTURE
from daemon.settings.rack import Settings
from daemon.view.reader import JournalView
from daemon.watch.entries import and_then, unfit_entry
from rules.culture.acts import Act
from rules.culture.cohorts import culture_of
from rules.errors import RulesError, none_such
from rules.readings import Action


def culture_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `culture`."""
    add = parser.add_argument
    add("cohort", nargs="?", help="the code of a batch of animals; without it: all of them")
    add("words", nargs="*", help="what was done, clauses parted by commas: move 40 k1 k2, bells 8.1 9.2")
    add(
        "--another",
        action="store_true",
        help="it is so: no repeat of what another wrote, or below nought",
    )
    add("--water", action="store_true", help="also the water that the batch had, through its moves")
    files = parser.add_mutually_exclusive_group()
    files.add_argument("--acts", type=Path, metavar="CSV", help="write every act to a file")
    files.add_argument("--days", type=Path, metavar="CSV", help="write each day of each batch with its water")
    files.add_argument("--read", type=Path, metavar="CSV", help="take the acts of such a file in")
    files.add_argument("--label", metavar="VESSEL", help="write VESSEL.html, a label to print")
    add_writer(parser, _culture)


def due_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `due`."""
    add_settings(parser)
    parser.set_defaults(command=_due)


def _due(options: argparse.Namespace) -> int:
    print(*Due(load_settings(options.settings)).lines(int(time.time() * 1000)), sep="\n")
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
    acts, watch = list(record.acts), JournalView(settings).look(now_ms).engine
    many = _of_file(record, options) if options.read else _of_line(settings, options, lambda: acts)
    with reading(settings.journal.path) as journal:
        for where, who, asking in many:
            try:
                asked = asking()
                it = asked.kind, writer(who, settings.rack.people), asked.body | _another(options)
                unfit = unfit_entry(journal, it, record.dating.axis_ms(now_ms), acts)
                if unfit := unfit or watch.act(Action(watch.clock_ms, *it)).refusal:
                    raise RequestError(unfit)
                fit.append((where, it, written_text(asked.body, culture_of(acts))))
                acts = and_then(acts, it, now_ms) if asked.kind == CULTURE else acts
            except (RequestError, RulesError) as error:
                wrong.append(f"{where}: {str(error).removeprefix(f'{where}: ')}")
    if options.words and not (fit or wrong):
        raise RequestError("found no clause; expected such as: move 40 k1 k2, bells 8.1 9.2")
    if wrong:
        raise RequestError("\n".join([*wrong, "nothing was written down"]))
    for place, (where, (kind, options.who, body), text) in enumerate(fit):
        try:
            ask(options, kind, body)
        except RequestError as error:  # somebody else was quicker, or the watch stands still
            left = f"\nthe {len(fit) - place - 1} after it were not asked for" if place < len(fit) - 1 else ""
            raise type(error)(f"{where}: {error}{left}") from None
        print(text)
    return 0


def _another(options: argparse.Namespace) -> dict[str, bool]:
    return {"another": True} if options.another else {}


def _of_file(record: Record, options: argparse.Namespace) -> Iterator[tuple[str, str, Callable[[], Asked]]]:
    """Go through what a file has that is new, in the order in which it was done."""
    for row in sorted(new_rows(record, options.read), key=lambda it: it.order):
        yield row.where, row.who or options.who, partial(Asked, row.kind, row.body)


def _of_line(
    settings: Settings, options: argparse.Namespace, acts: Callable[[], list[Act]]
) -> Iterator[tuple[str, str, Callable[[], Asked]]]:
    """Go through the clauses; where a batch lives is asked anew for each, as those before it move it."""
    known = known_of(settings)
    for words in clauses(options.words):
        of = culture_of(acts()).cohorts.get(options.cohort)
        yield words[0], options.who, partial(asked_by, options.cohort, words, known, of.vessels if of else ())
