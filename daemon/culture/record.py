"""What a journal has of the animals: acts, samples, food, and the water that each batch lived through."""

import time
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from daemon.culture.water import Judged, water_of
from daemon.journal.dating import Dating
from daemon.journal.history import Entry
from daemon.journal.journal import reading
from daemon.journal.logbook import acts_in, as_done
from daemon.settings.rack import Settings
from daemon.view.moment import LED_THERE_MS
from rules.culture.acts import Act
from rules.culture.ahead import COOLED, Ahead, Life, ahead, looked_at_from_ms
from rules.culture.cohorts import Cohort, Culture, culture_of
from rules.culture.exposure import Exposure, Series, exposure, stays_within
from rules.culture.growth import Sample
from rules.culture.weight import Weight, pairs_of, weight_of
from rules.quantities import Quantity
from rules.rack.logbook import ENTRY_KINDS, is_withdrawn

QUANTITIES = (Quantity.TEMPERATURE, Quantity.SALINITY, Quantity.OXYGEN_SATURATION)
_FED = ("feed", "food_density")
Days = list[tuple[int, int]]


@dataclass(frozen=True, slots=True)
class Record:
    """Acts and entries of a journal, each at when it was done (UTC); `now_ms` is when it was read."""

    settings: Settings
    now_ms: int
    acts: Sequence[Act]
    culture: Culture
    entries: Sequence[Entry]
    dating: Dating

    @property
    def zone(self) -> ZoneInfo:
        """Return the time zone of the people at the rack."""
        return ZoneInfo(self.settings.rack.time_zone)

    def about(self, of: Cohort, *kinds: str) -> list[Entry]:
        """Return the entries of some kinds that are about a batch.

        They name it, or name none and are of a vessel in which no other batch lived then; food that names
        none is that of all in its vessel.
        """
        return [it for it in self.entries if it.kind in kinds and self._is_about(of, it)]

    def _is_about(self, of: Cohort, entry: Entry) -> bool:
        if "cohort" in entry.body:
            return bool(entry.body["cohort"] == of.code)
        at_ms = entry.at_ms
        here = {
            it.code
            for it in self.culture.cohorts.values()
            if any(vessel == entry.vessel for vessel, *_ in stays_within(it, at_ms, at_ms + 1))
        }
        return of.code in here and (len(here) == 1 or entry.kind in _FED)

    def bells(self, of: Cohort) -> list[Sample]:
        """Return the samples of bell diameters of a batch, oldest first."""
        found = [it for it in self.about(of, "bell_diameter") if it.body.get("value") is not None]
        return [Sample(it.at_ms, it.body["value"], int(it.body.get("n", 1))) for it in found]

    def weight(self) -> Weight:
        """Return what all bells say that were weighed here, of whichever batch."""
        weighed = (it.body for it in self.entries if it.kind == "wet_weight")
        return weight_of(pair for body in weighed for pair in pairs_of(body))

    def water(self, cohorts: Iterable[Cohort], quantities: Collection[str], from_ms: int) -> Judged:
        """Return the water of the vessels of some batches from a moment on, in UTC, judged again."""
        wanted = {f"{it.vessel}/{quantity}" for of in cohorts for it in of.stays for quantity in quantities}
        with reading(self.settings.journal.path) as journal:
            if journal.inputs.span() is None:
                return Judged({})
            after = journal.inputs.last_seq_before(self.dating.axis_ms(from_ms) - LED_THERE_MS)
            upto = journal.inputs.last_seq()
        judged = water_of(self.settings, wanted, (after, upto), self.dating.axis_ms(self.now_ms))
        return Judged({name: self._in_utc(its) for name, its in judged.series.items()}, judged.stages)

    def _in_utc(self, its: Series) -> Series:
        return replace(its, time_ms=its.time_ms + self.dating.ahead(its.time_ms)[0])

    def days(self, from_ms: int) -> Iterator[tuple[int, int]]:
        """Go through the days of the rack's zone from a moment to now: each from when to when."""
        day = datetime.fromtimestamp(from_ms / 1000, self.zone).replace(
            hour=0, minute=0, second=0, microsecond=0
        )
        while (begun_ms := round(day.timestamp() * 1000)) < self.now_ms:
            day += timedelta(days=1)
            yield begun_ms, round(day.timestamp() * 1000)

    def exposed(self, of: Cohort, water: Judged, quantity: str, span: tuple[int, int]) -> Exposure:
        """Return what a batch lived through in a time, through its moves; in two vessels both count."""
        stays = stays_within(of, span[0], min(span[1], self.now_ms))
        return exposure([(water.series.get(f"{it[0]}/{quantity}"), *it[1:]) for it in stays])

    def ahead(self) -> list[Ahead]:
        """Return what is likely next; the water is read where that decides the next step of a batch."""
        cohorts, since = self.culture.cohorts, looked_at_from_ms(self.culture, self.now_ms)
        by_water = [cohorts[code] for code in since]
        water = self.water(by_water, [Quantity.TEMPERATURE], min(since.values())) if since else Judged({})
        lives = {of.code: self._life(of, water, since.get(of.code, self.now_ms)) for of in cohorts.values()}
        return ahead(self.culture, lives, self.now_ms, self.weight())

    def _life(self, of: Cohort, water: Judged, since_ms: int) -> Life:
        days = [day for day in self.days(since_ms) if day[1] <= self.now_ms]
        means = {day[0]: self.exposed(of, water, Quantity.TEMPERATURE, day) for day in days}
        return Life(
            {at_ms: its.mean for at_ms, its in means.items() if its.known_ms},
            [it.at_ms for it in self.about(of, *_FED)],
            {day[0] for day in days if self._cooled(of, water, day)},
            self.bells(of),
            bool(self.about(of, "stomachs")),
            self.settings.usual_stay_days("adult"),
        )

    def _cooled(self, of: Cohort, water: Judged, day: tuple[int, int]) -> bool:
        """Return whether a vessel in which a batch lived on a day was one of cooling by then."""
        ends = ((vessel, self.dating.axis_ms(to_ms - 1)) for vessel, _, to_ms in stays_within(of, *day))
        lived = (water.stages.stage(vessel, at_ms) for vessel, at_ms in ends)
        return any(found is not None and found[1].stage in COOLED for found in lived)


def record_of(settings: Settings, now_ms: int | None = None) -> Record:
    """Return what the journal of a rack has of the animals."""
    with reading(settings.journal.path) as journal, journal.standing_still():
        acts, dating = acts_in(journal), journal.state.dating()
        written = journal.history.logbook((), tuple(ENTRY_KINDS))
    counts = (it for it in as_done(written, dating).values() if not is_withdrawn(it.body))
    entries = sorted(counts, key=lambda it: it.at_ms)
    moment_ms = int(time.time() * 1000) if now_ms is None else now_ms
    return Record(settings, moment_ms, acts, culture_of(acts), entries, dating)
