"""Cross-checks of the [quality] tables: names that the rack does not have, thresholds at odds."""

from collections.abc import Iterator

from daemon.errors import Finding
from daemon.settings.draft import Draft
from daemon.settings.quality import QualityByQuantity
from daemon.tables.words import one_of, quoted, where
from rules.quality.settings import DEFAULT_QUALITY, QualityError
from rules.quantities import Quantity
from rules.rack.plan import RACK_WIDE


def quality_findings(draft: Draft) -> Iterator[Finding]:
    """Yield what is wrong with the tables, each by itself, then with those that hold together."""
    tables = draft.settings.quality
    found = list(_contradictions(tables, ()))
    for section, names in (
        ("stages", draft.settings.stage_names()),
        ("vessels", list(draft.settings.vessels)),
        ("probes", list(draft.settings.probes)),
    ):
        given: dict[str, QualityByQuantity] = getattr(tables, section)
        for name, table in given.items():
            if name not in names and (section == "stages" or draft.lacks(section, name)):
                expected = one_of(f"one of the rack's {section}", names, name)
                found.append(Finding(where("quality", section, name), f"no such {section[:-1]}", expected))
            found += _contradictions(table, (section, name))
    yield from found or _together(draft)


def _contradictions(table: QualityByQuantity, keys: tuple[str, ...]) -> Iterator[Finding]:
    for quantity in Quantity:
        try:
            table.over(DEFAULT_QUALITY[quantity], quantity)
        except QualityError as error:
            yield Finding(where("quality", *keys, quantity), str(error), "thresholds that go together")


def _together(draft: Draft) -> Iterator[Finding]:
    settings = draft.settings
    for name, probe in settings.probes.items():
        for stage in settings.stage_names():
            try:
                settings.quality.closer(stage, probe.vessel or RACK_WIDE, name)
            except QualityError as error:
                expected = f"thresholds that go together for probe {quoted(name)} in stage {quoted(stage)}"
                yield Finding(where("quality"), str(error), expected)
                return
