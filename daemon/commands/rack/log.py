"""`bellwatch log`: a vessel's logbook, written and read back."""

import argparse
from collections.abc import Iterator
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from daemon.check.load import load_settings
from daemon.commands.options import a_number
from daemon.commands.rack.lines import say
from daemon.commands.rack.request import add_writer, ask, writer
from daemon.errors import JournalError, RequestError
from daemon.journal.journal import reading
from daemon.journal.logbook import ALL_KINDS, WRITTEN_KINDS, logbook_of, superseded
from daemon.settings.rack import Settings
from daemon.tables.values import utc_ms
from daemon.view.entries import corrected_text, entry_text
from rules.rack.logbook import ENTRY_KINDS, sample_of

READ_BACK = 40


def log_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `log`."""
    add = parser.add_argument
    add("vessel")
    add("what", choices=tuple(ENTRY_KINDS), nargs="?", help="without it: read back the newest entries")
    add("value", type=a_number, nargs="*", help="such as a diameter in mm; of several, mean and range")
    add("--n", type=a_number, help="how many a mean is of")
    add(
        "--range",
        type=a_number,
        nargs=2,
        metavar=("LOW", "HIGH"),
        help="the smallest and the largest of them",
    )
    add("--note", default="", help="in words")
    add("--corrects", type=int, metavar="NUMBER", help="the entry that this one puts right; both are kept")
    add("--withdrawn", action="store_true", help="the entry that this one --corrects never was")
    add("--another", action="store_true", help="it is not what somebody else has just written down")
    add("--kind", choices=ALL_KINDS, help="read back only these")
    add("--from", dest="since", type=_moment, help="read back from here, ISO 8601; UTC if it has no offset")
    add("--to", type=_moment, help="read back up to here")
    add_writer(parser, _log)


def _log(options: argparse.Namespace) -> int:
    settings = load_settings(options.settings)
    if options.what is None:
        if None not in (options.since, options.to) and options.since >= options.to:
            raise RequestError("--from: expected a moment before --to")
        lines = list(entry_lines(settings, options.vessel, options.kind, (options.since, options.to)))
        chosen = "of that kind or time is written down" if _chosen(options) else "is written down yet"
        say(*lines or [f"{options.vessel}: nothing {chosen}"])
        return 0
    if _chosen(options):
        raise RequestError("--kind, --from and --to choose what is read back; leave them out to write")
    options.who = writer(options.who, settings.rack.people)
    ask(options, "log", _body(options))
    print(f"{options.vessel}: {options.what} written down")
    return 0


def _chosen(options: argparse.Namespace) -> bool:
    return any(it is not None for it in (options.kind, options.since, options.to))


def _moment(text: str) -> int:
    try:
        return utc_ms(text, UTC)
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"{error}; expected such as 2026-08-14T12:00") from None


def _body(options: argparse.Namespace) -> dict[str, object]:
    values, corrects = options.value, options.corrects
    if options.withdrawn and (corrects is None or values):
        raise RequestError("withdrawn: expected --corrects NUMBER of what never was, and no value")
    if not values and (options.n is not None or options.range):
        raise RequestError("value: --n and --range are about a mean; give it, or all that you measured")
    if ENTRY_KINDS[options.what].in_words and not (options.note.strip() or options.withdrawn):
        raise RequestError("note: found nothing; expected --note with words")
    body = {"vessel": options.vessel, "what": options.what, "note": options.note, **sample_of(values)}
    body |= {"n": options.n} if options.n is not None else {}
    body |= dict(zip(("low", "high"), options.range, strict=True)) if options.range else {}
    body |= {"corrects": corrects} if corrects is not None else {}
    body |= {"withdrawn": True} if options.withdrawn else {}
    return body | ({"another": True} if options.another else {})


def entry_lines(
    settings: Settings,
    vessel: str,
    kind: str | None = None,
    between: tuple[int | None, int | None] = (None, None),
    at_most: int = READ_BACK,
) -> Iterator[str]:
    """Give the newest entries, the newest last; JournalError where the rack has no such vessel."""
    if vessel not in settings.vessels:
        known = ", ".join(sorted(settings.vessels))
        raise JournalError(f"vessel: {vessel} is none of this rack; known are: {known}")
    zone, kinds = ZoneInfo(settings.rack.time_zone), (kind,) if kind else ALL_KINDS
    with reading(settings.journal.path) as journal:
        dating = journal.state.dating()
        first, last = (None if it is None else dating.axis_ms(it) for it in between)
        ends = (0 if first is None else first, 2**62 if last is None else last)
        entries = logbook_of(journal, (vessel,), kinds, ends, at_most)
        over = superseded(journal.history.logbook((vessel,), WRITTEN_KINDS))
    for entry in entries:
        when = datetime.fromtimestamp(dating.utc_ms(entry.at_ms) / 1000, zone)
        number = f"{entry.seq}" if entry.seq else "-"
        said = "  ".join(part for part in (entry.kind, entry_text(entry)) if part)
        yield f"{number}  {when:%Y-%m-%d %H:%M}  {said}  by {entry.who}{corrected_text(entry, over)}"
