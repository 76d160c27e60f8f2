"""What is likely to come next in a batch: ranges with their basis, none of which reaches an alarm."""

import math
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean, median

import numpy as np

from rules.culture.cohorts import Cohort, Culture
from rules.culture.growth import DAY_MS, Sample, days_to, first_disc_ms, growth
from rules.culture.weight import UNWEIGHED, Weight
from rules.quantities import Quantity
from rules.rack.lineages import Lineage, LineageName, tolerances_of
from rules.rack.tolerance import Band

DISCS_AFTER_DAYS = (14.0, 28.0)
"""From 18 to 10 °C about three weeks: Fuchs et al. 2014, Curr. Biol. 24:263 (summary); the range is ours.

No chilling degree-days: colder was slower (Shi et al. 2018) or worse (Holst 2012).
"""
OWN_EVENTS, OWN_AT_MOST = 3, 6
"""So many of the team's own are needed, and the newest are taken: their water is judged again each time."""
COOLING = "polyp-cooling"
COOLED = {COOLING, "strobila"}
UNFED_MS, FALL_C, LOOK_BACK_MS = 7 * DAY_MS, 5.0, 28 * DAY_MS
_LOOK_BACKS = {"polyp": 2, COOLING: 3, "ephyra": 3}
"""So far back water decides what comes next: 28 fed days of 84, a fall of 28 days 28 days ago."""
PNR_C, PNR_DAYS = (9.0, 12.0, 15.0), (58.6, 38.4, 33.8)
MEDUSA_MM = 10.0
NO_SOURCE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Ahead:
    """Something that is likely, or due, between two moments (UTC), and why that is thought."""

    cohort: str
    from_ms: int
    to_ms: int
    what: str
    basis: str


@dataclass(frozen=True, slots=True)
class Life:
    """What a batch had: `day_c` the mean temperature of each whole day that was looked at, by its begin.

    `cooled` are the days on which its vessel was set to be cooled, `fed_ms` when it was fed, `lives_days` how
    long the team says that medusae live.
    """

    day_c: Mapping[int, float]
    fed_ms: Sequence[int] = ()
    cooled: Collection[int] = ()
    bells: Sequence[Sample] = ()
    stomachs_seen: bool = False
    lives_days: float | None = None


def days_without_food(temperature_c: float) -> float | None:
    """Return after how many days half of unfed ephyrae no longer recover; None outside of 9 to 15 °C.

    Source: Fu et al. 2014, MEPS 510:255 (abstract); between what they tried, their logarithms in a line.
    """
    if not PNR_C[0] <= temperature_c <= PNR_C[-1]:
        return None
    return math.exp(float(np.interp(temperature_c, PNR_C, np.log(PNR_DAYS))))


def cue_band(lineage: str) -> Band | None:
    """Return at which temperatures polyps of a lineage come to strobilate; None where cold is no cue."""
    known: dict[str, LineageName] = {"aurita": "aurita", "coerulea": "coerulea", "warm": "warm"}
    limits = tolerances_of(Lineage(known.get(lineage, "unknown"))).get(COOLING)
    return limits[Quantity.TEMPERATURE].advisory if limits else None


def fed_cue_days(of: Cohort, life: Life, from_ms: int, to_ms: int) -> int:
    """Return on how many whole days the mean lay in the cue band, fed within the week before its end."""
    band = cue_band(of.lineage)
    return sum(
        _in(band, mean) and any(0 <= day + DAY_MS - at_ms <= UNFED_MS for at_ms in life.fed_ms)
        for day, mean in life.day_c.items()
        if from_ms <= day and day + DAY_MS <= to_ms
    )


def own_wait_ms(of: Cohort) -> tuple[int, int] | None:
    """Return when cooling began and the first disc was seen; None where not both are written down."""
    cooled_ms, seen_ms = of.since_ms(COOLING), first_disc_ms(of)
    return None if cooled_ms is None or seen_ms is None or seen_ms < cooled_ms else (cooled_ms, seen_ms)


def looked_at_from_ms(culture: Culture, now_ms: int) -> dict[str, int]:
    """Return for each batch whose water decides what comes next from when on it does.

    The newest that strobilated count where one of their lineage is being cooled.
    """
    found = {}
    for of in (it for it in culture.cohorts.values() if it.vessels):
        if of.stage in _LOOK_BACKS:
            bound_ms = now_ms - _LOOK_BACKS[of.stage] * LOOK_BACK_MS
            found[of.code] = max(of.since_ms(of.stage) or of.began_ms, bound_ms)
    cooled = {of.lineage for of in culture.cohorts.values() if of.vessels and of.stage == COOLING}
    waits = sorted((wait, of.code) for of in culture.cohorts.values() if (wait := own_wait_ms(of)))
    for lineage in cooled:
        own = [it for it in waits if culture.cohorts[it[1]].lineage == lineage][-OWN_AT_MOST:]
        found |= {code: min(wait[0], found.get(code, wait[0])) for wait, code in own}
    return found


@dataclass(frozen=True, slots=True)
class _Look:
    culture: Culture
    lives: Mapping[str, Life]
    now_ms: int
    weight: Weight

    def fed_before(self, life: Life, since_ms: int) -> int:
        """Return when a batch was fed last; `since_ms` where it was not since."""
        return max((it for it in life.fed_ms if since_ms <= it <= self.now_ms), default=since_ms)


def ahead(
    culture: Culture, lives: Mapping[str, Life], now_ms: int, weight: Weight = UNWEIGHED
) -> list[Ahead]:
    """Return what is likely in every batch that lives, the soonest first."""
    look, found = _Look(culture, lives, now_ms, weight), list[Ahead]()
    for of in culture.cohorts.values():
        if of.vessels and of.stage in _AT_STAGE:
            found += _AT_STAGE[of.stage](look, of, lives.get(of.code, Life({})))
    return sorted(found, key=lambda it: (it.from_ms, it.cohort))


def _planulae(_look: _Look, of: Cohort, _life: Life) -> Iterator[Ahead]:
    yield _between(of, of.born_ms or of.began_ms, (7, 10), "settled", f"{NO_SOURCE}: 7 to 10 d")


def _cooled(look: _Look, of: Cohort, life: Life) -> Iterator[Ahead]:
    """Give when the first discs are likely, and that they will not come without food."""
    since_ms, now_ms = of.since_ms(COOLING) or of.began_ms, look.now_ms
    last_fed_ms = look.fed_before(life, since_ms)
    if now_ms - last_fed_ms >= UNFED_MS:
        basis = "unfed polyps did not strobilate (Hydrobiologia 754:169, abstract); a week is judgement"
        yield Ahead(of.code, last_fed_ms + UNFED_MS, now_ms, "feed: cooled without food", basis)
    if cue_band(of.lineage) is None or own_wait_ms(of):
        return
    own = sorted(_own_waits(look, of.lineage))
    low, high = DISCS_AFTER_DAYS
    basis = "about three weeks (Fuchs et al. 2014), 14 to 28 fed days in the cue band"
    if len(own) >= OWN_EVENTS:
        low, high = own[0], own[-1]
        basis = f"{len(own)} own events of {of.lineage}, median {median(own):g} fed days in the cue band"
    past = fed_cue_days(of, life, since_ms, now_ms)
    ends = [now_ms + max(round((days - past) * DAY_MS), 0) for days in (low, high)]
    yield Ahead(of.code, ends[0], ends[1], "first discs", f"{basis}; {past} so far")


def _own_waits(look: _Look, lineage: str) -> Iterator[int]:
    """Give the fed days of each batch that strobilated, where no day of its water is missing."""
    for of in look.culture.cohorts.values():
        life, wait = look.lives.get(of.code), own_wait_ms(of)
        if life is None or wait is None or of.lineage != lineage:
            continue
        whole = sum(wait[0] <= day and day + DAY_MS <= wait[1] for day in life.day_c)
        days = fed_cue_days(of, life, *wait)
        if days and whole >= (wait[1] - wait[0]) // DAY_MS - 1:
            yield days


def _held(look: _Look, of: Cohort, life: Life) -> Iterator[Ahead]:
    """Give that holding polyps have had a cue that nobody planned: a day in the band after a fall of 5 °C."""
    band, since_ms = cue_band(of.lineage), of.since_ms(of.stage) or of.began_ms
    known = sorted((day, mean) for day, mean in life.day_c.items() if since_ms <= day + DAY_MS)
    for place, (day, mean) in enumerate(known):
        before = [its for other, its in known[:place] if day - other <= LOOK_BACK_MS]
        recent = look.now_ms - day <= DISCS_AFTER_DAYS[1] * DAY_MS and day not in life.cooled
        if recent and _in(band, mean) and before and max(before) - mean >= FALL_C:
            basis = f"fell by {max(before) - mean:.1f} °C into the cue band; about three weeks (Fuchs 2014)"
            yield _between(of, day, DISCS_AFTER_DAYS, "may strobilate", basis)
            return


def _ephyrae(look: _Look, of: Cohort, life: Life) -> Iterator[Ahead]:
    """Give how long unfed ephyrae last, from a third of that on, and when the rest are medusae."""
    since_ms = look.fed_before(life, of.began_ms)
    means = [mean for day, mean in life.day_c.items() if day + DAY_MS > since_ms]
    days = days_without_food(fmean(means)) if means else None
    unfed = (look.now_ms - since_ms) / DAY_MS
    if days is not None and unfed >= days / 3:
        basis = f"Fu et al. 2014 at {fmean(means):.1f} °C, 10 % to either side; unfed {unfed:.0f} d"
        yield _between(of, since_ms, (0.9 * days, 1.1 * days), "half recover no more", basis)
    if not life.stomachs_seen:
        yield _between(of, of.began_ms, (0, 0), "count stomachs", f"{NO_SOURCE}: four, others show early")
    line = growth(life.bells)
    if line and line.low > 0:
        newest, exponent = life.bells[-1], look.weight.exponent
        from_mm = min(newest.mean_mm, MEDUSA_MM)
        ends = [days_to(MEDUSA_MM, from_mm, exponent * rate, exponent) for rate in (line.high, line.low)]
        basis = f"{NO_SOURCE}: beyond {MEDUSA_MM:g} mm of bell; by its own growth, as that falls with weight"
        basis += f" by {look.weight.basis}"
        yield _between(of, newest.at_ms, (ends[0], ends[1]), "medusa", basis)


def _strobilae(_look: _Look, of: Cohort, _life: Life) -> Iterator[Ahead]:
    since_ms = of.since_ms("strobila") or of.began_ms
    basis = f"{NO_SOURCE}: about two weeks, more by the day at first"
    yield _between(of, since_ms, (14, 14), "release over", basis)


def _medusae(look: _Look, of: Cohort, life: Life) -> Iterator[Ahead]:
    if of.born_ms is None:
        return
    for days in ((30, 60), (180, 210)):
        if look.now_ms - of.born_ms <= days[1] * DAY_MS:
            basis = "peaks at 1 to 2 and beyond 6 months: Freeman et al. 2009 (abstract)"
            yield _between(of, of.born_ms, days, "look for everted bells", basis)
            break
    lives, basis = life.lives_days, "usual_stay_days of this team"
    if lives is None:
        basis = f"several months to over a year in the literature, about two years {NO_SOURCE}"
    yield _between(of, of.born_ms, (lives or 365, lives or 730), "old age", basis)


_AT_STAGE: Mapping[str, Callable[[_Look, Cohort, Life], Iterator[Ahead]]] = {
    "planula": _planulae,
    "polyp": _held,
    COOLING: _cooled,
    "strobila": _strobilae,
    "ephyra": _ephyrae,
    "adult": _medusae,
}


def _between(of: Cohort, since_ms: int, days: tuple[float, float], what: str, basis: str) -> Ahead:
    begun, end = (since_ms + round(each * DAY_MS) for each in days)
    return Ahead(of.code, begun, end, what, basis)


def _in(band: Band | None, value: float) -> bool:
    return band is not None and (band.low or 0.0) <= value <= (band.high or 0.0)
