"""Cross-checks of a stage's limits with each other, as they stand after merging with its base."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product

from daemon.errors import Finding
from daemon.settings.draft import Draft
from daemon.settings.stages import ToleranceSettings, written
from daemon.tables.words import where
from rules.care.misread import read_otherwise
from rules.quantities import Quantity, unit_of
from rules.rack.tolerance import Band, Tolerance

# What must hold, whose fault it is if it does not (the first, unless only the second is in the table),
# most telling first: a limit that has been reported is not compared again.
_RULES = (
    ("advisory_low", "below", "advisory_high"),
    ("critical_low", "below", "critical_high"),
    ("advisory_low", "at least", "critical_low"),
    ("advisory_high", "at most", "critical_high"),
    ("advisory_low", "below", "critical_high"),
    ("advisory_high", "above", "critical_low"),
    ("target", "at least", "advisory_low"),
    ("target", "at most", "advisory_high"),
    ("target", "at least", "critical_low"),
    ("target", "at most", "critical_high"),
)
_EDGES = ("low", "high")
_HOLDS = {
    "below": lambda a, b: a < b,
    "above": lambda a, b: a > b,
    "at least": lambda a, b: a >= b,
    "at most": lambda a, b: a <= b,
}
_OTHER_WAY = {"below": "above", "above": "below", "at least": "at most", "at most": "at least"}


def limit_findings(draft: Draft) -> Iterator[Finding]:
    """Yield limits that contradict each other, in every stage and quantity that the file has a table for."""
    settings = draft.settings
    places = (None, *(name for name, vessel in settings.vessels.items() if vessel.lineage))
    known = [stage for stage in settings.stages if not _base_is_unknown(stage, draft)]
    found = [
        finding
        for stage, quantity, place in product(known, Quantity, places)
        if isinstance(table := settings.stages[stage].limits(quantity), ToleranceSettings)
        and (tolerance := settings.tolerance_of(stage, quantity, place)) is not None
        for finding in _Limits(stage, quantity, table, tolerance, settings.rack.temperatures_in).findings()
    ]
    yield from dict.fromkeys(found)


def half_width(band: Band) -> float | None:
    """Return half the width of a band; None where a side of it is open."""
    return None if band.low is None or band.high is None else (band.high - band.low) / 2


def _base_is_unknown(stage: str, draft: Draft) -> bool:
    try:
        return not draft.faulty_stages.isdisjoint(draft.settings.bases(stage)[1:])
    except KeyError:
        return True


@dataclass(frozen=True, slots=True)
class _Limits:
    stage: str
    quantity: Quantity
    table: ToleranceSettings
    merged: Tolerance
    usual: str

    def value_of(self, limit: str) -> float | None:
        if limit == "target":
            return self.merged.target
        band, edge = limit.split("_")
        value: float | None = getattr(getattr(self.merged, band), edge)
        return value

    def findings(self) -> Iterator[Finding]:
        reported: set[str] = set()
        for first, relation, second in _RULES:
            a, b = self.value_of(first), self.value_of(second)
            if a is None or b is None or _HOLDS[relation](a, b) or reported & {first, second}:
                continue
            if not self._origin(first) or self._origin(second):  # the first is set here, or the second is not
                yield self._contradiction(first, relation, second)
            else:
                yield self._contradiction(second, _OTHER_WAY[relation], first)
            reported |= {first, second}
        yield from self._of_another_unit()
        yield from self._wide_deadband(reported)

    def _of_another_unit(self) -> Iterator[Finding]:
        """Warn of a limit set here that no nursery's water reaches, and that in another unit it would."""
        for limit in ("target", *(f"{band}_{edge}" for band in ("advisory", "critical") for edge in _EDGES)):
            value = self.value_of(limit)
            if value is None or self._origin(limit):
                continue
            if meant := [it for it in read_otherwise(self.quantity, value) if it.as_what.startswith("in ")]:
                path, number = self._path(limit)
                found = f"{number}, which the water of no nursery has"
                read = (
                    f"{meant[0].as_what[3:]}, that is {meant[0].value:.4g} {unit_of(self.quantity)}".rstrip()
                )
                yield Finding(path, found, f"another one; is it {read}?", is_warning=True)

    def _wide_deadband(self, reported: set[str]) -> Iterator[Finding]:
        """A value in the middle of the band must be able to return its alarm."""
        halves = [
            (half, name)
            for name, band in (("advisory", self.merged.advisory), ("critical", self.merged.critical))
            if (half := half_width(band)) is not None and not reported & {f"{name}_low", f"{name}_high"}
        ]
        if halves and self.merged.deadband > min(halves)[0]:
            half, name = min(halves)
            path, found = self._path("deadband")
            _, most = written(self.table, "deadband", self.quantity, float(f"{half:.6g}"), self.usual)
            expected = f"at most {most}, half of the {name} band"
            yield Finding(path, found + self._origin("deadband"), expected)

    def _contradiction(self, blamed: str, relation: str, other: str) -> Finding:
        path, found = self._path(blamed)
        other_key, value = self._written(other)
        expected = f"{relation} {other_key}, which is {value}{self._origin(other)}"
        return Finding(path, found + self._origin(blamed), expected)

    def _path(self, limit: str) -> tuple[str, str]:
        key, number = self._written(limit)
        return where("stages", self.stage, self.quantity.value, key), number

    def _written(self, limit: str) -> tuple[str, str]:
        value = self.merged.deadband if limit == "deadband" else self.value_of(limit)
        assert value is not None
        return written(self.table, limit, self.quantity, value, self.usual)

    def _origin(self, limit: str) -> str:
        """Say where a limit comes from that the stage's own table does not set."""
        table, _, stage_and_limit = self.merged.origin(limit).partition(".")
        if not stage_and_limit:
            return f" ({table})"
        stage = stage_and_limit.partition(".")[0]
        return "" if stage == self.stage else f" (from stage {stage})"
