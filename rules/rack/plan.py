"""What the engine watches: which probe measures what, where, and what the stage there tolerates.

The daemon makes a `RackPlan` from the settings and writes it into the journal as an input, so that
a replay finds the plan of every moment beside the readings of that moment.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

from rules.alarms.alarm import AlarmRules
from rules.quality.settings import QualitySettings
from rules.quantities import Quantity
from rules.rack.stage_plan import StageStep, Tolerances
from rules.water.specific_conductance import Compensation

FRESH = "fresh"
"""Stands for the quantity where a probe's register or field only shows that its answers are new."""

RACK_WIDE = "rack"
"""Stands for the vessel where a probe serves the whole rack (the barometer)."""


@dataclass(frozen=True, slots=True)
class Source:
    """One quantity that one probe measures: the raw inputs of the engine come by source `id`.

    `accuracy` is the stated one, plus or minus in the quantity's unit, None where nobody stated it;
    `calibrate_every_ms` is how long a calibration holds, None where only a drift that was seen tells.
    `every_ms` is how often it is to be read by the settings (0: not known, in a plan of an older version).
    """

    id: int
    probe: str
    quantity: Quantity
    vessel: str
    silent_after_ms: int
    bus: str = ""
    compensation: Compensation = Compensation.NONE
    compensation_per_kelvin: float = 0.0
    accuracy: float | None = None
    calibrate_every_ms: int | None = None
    every_ms: int = 0

    @property
    def missed_after_ms(self) -> int:
        """Return for how long at least it may show nothing: three intervals of the settings."""
        return 3 * self.every_ms or self.silent_after_ms


@dataclass(frozen=True, slots=True)
class Supply:
    """What several vessels share, such as a chiller loop: their alarms of this quantity are one problem."""

    name: str
    quantity: Quantity
    vessels: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RackPlan:
    """Everything that the judgement of a rack depends on beside its inputs.

    `vessels` maps each vessel to the stage that lives in it at first, `tolerances` each stage to
    its limits, `quality` each quantity to the settings of its data-quality tests, `steps` each
    vessel to its planned stage moves, and `usual_stay_ms` each stage to how long it usually lasts.
    `own_tolerances` has the stages of each vessel whose lineage is not the rack's.
    `closer_quality` has those that differ for a probe while a stage lives in its vessel, by stage/probe.
    `fresh` is the source, of each probe that has one, whose value must change from poll to poll.
    `temperatures_in` (C or F) judges nothing: who reads a record alone reads it as the team did.
    `altitude_m` is that of the station, `usual` each vessel's usual values, for when nothing better is known.
    """

    rack: str
    sources: tuple[Source, ...]
    vessels: Mapping[str, str]
    tolerances: Tolerances
    quality: Mapping[Quantity, QualitySettings]
    supplies: tuple[Supply, ...] = ()
    steps: Mapping[str, tuple[StageStep, ...]] = field(default_factory=dict)
    usual_stay_ms: Mapping[str, int] = field(default_factory=dict)
    alarm_rules: AlarmRules = field(default_factory=AlarmRules)
    altitude_m: float | None = None
    usual: Mapping[str, Mapping[Quantity, float]] = field(default_factory=dict)
    own_tolerances: Mapping[str, Tolerances] = field(default_factory=dict)

    fresh: Mapping[str, int] = field(default_factory=dict)
    closer_quality: Mapping[str, Mapping[Quantity, QualitySettings]] = field(default_factory=dict)
    temperatures_in: str = "C"

    def tolerances_of(self, vessel: str) -> Tolerances:
        """Return what each stage tolerates in a vessel."""
        return self.own_tolerances.get(vessel, self.tolerances)

    def quality_of(self, quantity: Quantity, probe: str, stage: str) -> QualitySettings:
        """Return the settings of the quality tests for a probe while a stage lives in its vessel."""
        closer = self.closer_quality.get(f"{stage}/{probe}", {})
        return closer.get(quantity) or self.quality[quantity]

    def source_ids(self) -> list[int]:
        """Return the numbers of all that is read."""
        return [*(source.id for source in self.sources), *self.fresh.values()]
