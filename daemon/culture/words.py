"""Batches of animals in words: each in a line, and one in full with what does not add up."""

from collections.abc import Iterator, Sequence
from datetime import datetime, tzinfo

from daemon.errors import JournalError
from daemon.view.entries import act_text
from rules.culture.acts import Act, How
from rules.culture.cohorts import Cohort, Rest, Stock, culture_of
from rules.errors import none_such


def stock_text(stock: Stock) -> str:
    """Write a number as sure as it is: 40, 1200 (1140 to 1260), 300 (guessed)."""
    if stock.how is How.GUESSED:
        return f"{stock.number:.0f} (guessed)"
    low, high = stock.interval or (stock.number, stock.number)
    return f"{stock.number:.0f}" + (f" ({low:.0f} to {high:.0f})" if high > low else "")


def rest_text(rest: Rest) -> str:
    """Write what a count found beside what was expected."""
    both = f"{stock_text(rest.found)} found, {stock_text(rest.expected)} expected"
    share = f", {100 * rest.found.number / rest.expected.number:.0f} %" if rest.expected.number > 0 else ""
    return f"{rest.number:+.0f}{share if rest.at != 'count' else ''} at {rest.at} in {rest.vessel} ({both})"


def day(at_ms: int | None, zone: tzinfo) -> str:
    """Write a day; empty where there is none."""
    return "" if at_ms is None else f"{datetime.fromtimestamp(at_ms / 1000, zone):%Y-%m-%d}"


def cohort_text(of: Cohort) -> str:
    """Write a batch in a line."""
    here = [f"{vessel} {stock_text(of.stocks[vessel])}" for vessel in of.vessels]
    rest = sum(it.number for it in of.rests)
    parts = (of.stage, of.lineage, ", ".join(here) or "none left", f"died {of.died.number:.0f}")
    return f"{of.code}: {', '.join(parts)}" + (f", unexplained {rest:+.0f}" if rest else "")


def overview_lines(acts: Sequence[Act], zone: tzinfo) -> Iterator[str]:
    """Give every batch in a line, those that are gone at the end."""
    culture = culture_of(acts)
    if not culture.cohorts:
        yield "No batch is written down yet: bellwatch culture e1 begin ephyra 200 k1 lineage=aurita"
    for of in sorted(culture.cohorts.values(), key=lambda it: (not it.vessels, it.code)):
        yield f"{cohort_text(of)}, since {day(of.born_ms or of.began_ms, zone)}"
    if culture.unplaced:
        yield f"about batches that there are not: entries {', '.join(map(str, culture.unplaced))}"


def cohort_lines(acts: Sequence[Act], code: str, zone: tzinfo) -> Iterator[str]:
    """Give a batch in full: where from, its balance, what does not add up, and every act."""
    cohorts = culture_of(acts).cohorts
    if code not in cohorts:
        raise JournalError(f"cohort: {none_such(code, cohorts)}")
    of = cohorts[code]
    yield cohort_text(of)
    origin = " and ".join(of.parents) or of.origin or "not said"
    yield f"from: {origin}; born {day(of.born_ms, zone) or 'not said'}; began {day(of.began_ms, zone)}"
    yield "stages: " + ", ".join(f"{stage} {day(at_ms, zone)}" for at_ms, stage in of.changes)
    sums = (("came", of.came), ("left", of.left), ("died", of.died), ("there", of.now))
    yield "balance: " + ", ".join(f"{word} {stock_text(its)}" for word, its in sums)
    yield from (f"unexplained: {day(it.at_ms, zone)} {rest_text(it)}" for it in of.rests if it.number)
    if of.causes:
        yield "causes: " + ", ".join(f"{cause} {number:.0f}" for cause, number in of.causes.items())
    for act in sorted(acts, key=lambda it: (it.at_ms, it.number)):
        if code in (act.cohort, act.into):
            yield f"{act.number}  {day(act.at_ms, zone)}  {act_text(act)}  by {act.who}"
