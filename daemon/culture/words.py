"""Batches of animals in words: each in a line, and one in full with what does not add up."""

import math
from collections.abc import Iterator, Mapping
from datetime import datetime, tzinfo
from typing import Any

from daemon.culture.record import QUANTITIES, Record
from daemon.errors import JournalError
from daemon.view.entries import act_text
from daemon.words import label
from rules.culture.acts import How
from rules.culture.cohorts import Cohort, Culture, Rest, Stock, in_order
from rules.culture.exposure import HOUR_MS, stays_within
from rules.culture.growth import (
    DAY_MS,
    Share,
    discs_per_polyp,
    first_disc_ms,
    growth,
    half_released_ms,
    survival,
)
from rules.culture.weight import LEAST_PAIRS, POWERS, WITHIN, Weight
from rules.errors import none_such
from rules.quantities import Quantity


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
    shown = [*of.vessels, *(name for name, its in of.stocks.items() if round(its.number) < 0)]
    here = [f"{vessel} {stock_text(of.stocks[vessel])}" for vessel in shown]
    rest = sum(it.number for it in of.rests)
    parts = (of.stage, of.lineage, ", ".join(here) or "none left", f"died {of.died.number:.0f}")
    return f"{of.code}: {', '.join(parts)}" + (f", unexplained {rest:+.0f}" if rest else "")


def written_text(body: Mapping[str, Any], culture: Culture, by: str = "") -> str:
    """Say what was written down; of all animals how many that is, and which batch is new to `culture`."""
    code, into, vessel = (str(body.get(key) or "") for key in ("cohort", "into", "vessel"))
    said = f"{code}: {str(body['what']).replace('_', ' ')} written down{by}"
    known = culture.cohorts.get(code)
    if body.get("share") == 1 and known and vessel in known.stocks:
        said += f", all {stock_text(known.stocks[vessel])} in {vessel}"
    return said + (f"; {into} is a new batch" if into and into not in culture.cohorts else "")


def overview_lines(record: Record, water: bool = False) -> Iterator[str]:
    """Give every batch in a line, those that are gone at the end; with its water where that is asked for."""
    culture, compared = record.culture, 0
    if not culture.cohorts:
        yield "No batch is written down yet: bellwatch culture e1 begin ephyra 200 k1 lineage=aurita"
    for of in sorted(culture.cohorts.values(), key=lambda it: (not it.vessels, it.code)):
        how = [text for text in (_survival(of), _growth(record, of)) if text]
        compared += bool(how)
        since = f"since {day(of.born_ms or of.began_ms, record.zone)}"
        yield ", ".join([cohort_text(of), since, *how])
        yield from _water_lines(record, of) if water else ()
    yield from _weighed(record.weight())
    if culture.unplaced:
        yield f"about batches that there are not: entries {', '.join(map(str, culture.unplaced))}"
    if compared > 1:
        yield "Batches side by side are no experiment: what differs between two may have any cause."


def cohort_lines(record: Record, code: str, water: bool = False) -> Iterator[str]:
    """Give a batch in full: where from, its balance, what does not add up, how it does, and every act."""
    zone, cohorts = record.zone, record.culture.cohorts
    if code not in cohorts:
        raise JournalError(f"cohort: {none_such(code, cohorts)}")
    of = cohorts[code]
    yield cohort_text(of)
    origin = " and ".join(filter(None, (of.origin, *of.parents))) or "not said"
    yield f"from: {origin}; born {day(of.born_ms, zone) or 'not said'}; began {day(of.began_ms, zone)}"
    yield "stages: " + ", ".join(f"{stage} {day(at_ms, zone)}" for at_ms, stage in of.changes)
    sums = (("came", of.came), ("left", of.left), ("died", of.died), ("there", of.now))
    yield "balance: " + ", ".join(f"{word} {stock_text(its)}" for word, its in sums)
    yield from (f"unexplained: {day(it.at_ms, zone)} {rest_text(it)}" for it in of.rests if it.number)
    if of.causes:
        yield "causes: " + ", ".join(f"{cause} {number:.0f}" for cause, number in of.causes.items())
    yield from filter(None, (_survival(of), _growth(record, of), _strobilation(of, zone)))
    yield from _water_lines(record, of) if water else ()
    for act in in_order(record.acts):
        if code in (act.cohort, act.into):
            yield f"{act.number}  {day(act.at_ms, zone)}  {act_text(act)}  by {act.who}"


def _survival(of: Cohort) -> str:
    its = survival(of)
    return "" if its is None else f"survival {_share(its, 100)} %"


def _share(its: Share, times: float = 1.0) -> str:
    """Write a share or mean with its interval, where there is one."""
    value, low, high = its
    known = low is not None and high is not None
    return f"{times * value:.3g}" + (
        f" ({times * (low or 0):.3g} to {times * (high or 0):.3g})" if known else ""
    )


def _growth(record: Record, of: Cohort) -> str:
    """Write how fast bells grow, and what that is in weight."""
    line = growth(record.bells(of))
    if line is None:
        return ""
    its = record.weight()
    weight = f"weight {100 * its.exponent * line.slope:.3g} %/d by {its.basis}"
    return f"diameter {_share((line.slope, line.low, line.high), 100)} %/d ({weight})"


def _weighed(its: Weight) -> Iterator[str]:
    """Give what all bells say that were weighed here; nothing where none was."""
    if not its.pairs:
        return
    said = f"weighed: {its.pairs} bells"
    if line := its.line:
        factor = [math.exp(line.intercept + off) for off in (0, -line.intercept_off, line.intercept_off)]
        said += f", {_share((factor[0], factor[1], factor[2]))} mg x (bell in mm) to the power of "
        said += _share((line.slope, line.low, line.high))
    if its.own is None:
        low, high = POWERS
        said += f"; {LEAST_PAIRS} that tell the power within {WITHIN:g}, of {low:g} to {high:g},"
        said += f" take the place of {its.basis}"
    yield said


def _strobilation(of: Cohort, zone: tzinfo) -> str:
    """Write when discs were seen and young released, beside the cooling, and how many of each polyp."""
    cooled_ms, seen_ms, discs = of.since_ms("polyp-cooling"), first_disc_ms(of), discs_per_polyp(of)
    parts = [f"cooled {day(cooled_ms, zone)}"] if cooled_ms is not None else []
    if seen_ms is not None:
        after = f", {(seen_ms - cooled_ms) / DAY_MS:.0f} d after" if cooled_ms is not None else ""
        parts.append(f"first disc {day(seen_ms, zone)}{after}")
    parts += [f"{_share(discs)} discs a polyp"] if discs else []
    if of.released:
        total = sum(number for _, number in of.released)
        each = f", {total / of.now.number:.3g} for each that is there" if of.now.number > 0 else ""
        parts.append(f"released {total:.0f}{each}, half by {day(half_released_ms(of), zone)}")
    return f"strobilation: {'; '.join(parts)}" if parts else ""


def _water_lines(record: Record, of: Cohort) -> Iterator[str]:
    """Give what the batch lived through, of each quantity."""
    water = record.water([of], QUANTITIES, of.began_ms)
    span = of.began_ms, record.now_ms
    if sum(end - begun for _, begun, end in stays_within(of, *span)) > span[1] - span[0]:
        yield "water: of several vessels at once the days and hours are summed"
    for quantity in QUANTITIES:
        its = record.exposed(of, water, quantity, span)
        hours = f"outside {its.advisory_ms / HOUR_MS:.1f} h, critical {its.critical_ms / HOUR_MS:.1f} h"
        unseen = f"unwatched {its.unwatched_ms / HOUR_MS:.1f} h"
        values = f"{its.lowest:.2f} to {its.highest:.2f}, mean {its.mean:.2f}"
        values += f", worst step {its.worst_per_hour:.2f}/h"
        more = f", {its.unit_days:.1f} degree-days" if quantity is Quantity.TEMPERATURE else ""
        more += f", deficit {its.deficit:.1f} %h" if quantity is Quantity.OXYGEN_SATURATION else ""
        yield f"water: {label(quantity)} {values}{more}, {hours}, {unseen}"


def ahead_lines(record: Record) -> Iterator[str]:
    """Give what is likely next in each batch, the soonest first, with why that is thought."""
    for it in record.ahead():
        begun, end = day(it.from_ms, record.zone), day(it.to_ms, record.zone)
        yield f"{it.cohort}: {it.what}, {begun}{f' to {end}' if end != begun else ''} ({it.basis})"
