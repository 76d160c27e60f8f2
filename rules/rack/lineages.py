"""What the life stages of three moon jellyfish tolerate, laid over the one column of `rules.rack.stages`.

"Moon jellyfish" is several species; what is cold for one lets another strobilate. The lineages are
`aurita` (North Sea, north-east Atlantic, Baltic), `coerulea` (Asia, US west coast, lagoons of the
Mediterranean) and `warm` (Taiwan type). Strains differ within a lineage, so that a culture may need limits
of its own in the settings file.

CAUTION. No paper was read in full: a source beside a number means its abstract. What bears no mark is
project judgement, drawn around what the sources say is tolerated.
  a  Webster & Lucas 2012, J. Exp. Mar. Biol. Ecol. 436-437:50: planulae at 6/12/18 °C, fewer settle at 18;
     Goldstein et al. 2017, Mar. Ecol. 38:e12457: settlement increased at 4 °C
  b  Suzuki et al. 2019, PLoS ONE 14:e0225513: threshold of direct development of planulae about 20 °C
  c  Widmer, Fox & Brierley 2016, MEPS 559:73: polyps at 4-23 °C and salinity 21-34, no significant mortality
  d  Wang & Li 2015, Hydrobiologia 754:157: strobilates at 8-17 °C, best at 13; Purcell et al. 2012: polyps at
     14/21/28 °C strobilated only at 14; Front. Mar. Sci. 2022 9:888656: polyps overwintered at 2-8 °C
  e  Liu et al. 2009, Hydrobiologia 616:247: tested at 20/25/30 °C, warming sped strobilation up, none at 20
     in the dark, survival lower at 30
  f  Sokolowski et al. 2016, Hydrobiologia 773:49 (Baltic): strobilation strongest when cold, reduced at 20;
     Holst 2012, Hydrobiologia 690:127 (North Sea): a winter of 10 °C beats one of 5
  g  Wang & Li as in d; Shi et al. 2018, J. Oceanol. Limnol. 36:465: 12 and 16 °C release more than 4 and 8;
     Feng et al. 2018, MEPS: strobilation in the field at 3.9-18.1 °C
  h  Fu et al. 2020, Am. J. Life Sci. 8:144: ephyrae grow faster from 10 to 25 °C, no effect of salinity 22-31
  i  Hansson 1997, MEPS 161:145: medusae grew at 5.1-19.0 °C
  k  a study of polyps of A. coerulea: over 90 % survive salinity 15-40 at 21 °C and 20-40 at 12 °C;
     strobilation at 20-40, best at 28-32; Holst & Jarms 2010, Hydrobiologia 645:53: North Sea polyps
     survive 8-36 and strobilate at 12
  l  Goldstein et al. 2017: growth held back at salinity 10, degeneration at 5; Sokolowski et al.: dead at 2
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

from rules.quantities import Quantity
from rules.rack.stages import DEFAULT_TOLERANCES, stage_limits
from rules.rack.tolerance import Band, Tolerance

LineageName = Literal["aurita", "coerulea", "warm", "unknown"]
Around = tuple[float, Band, Band]
"""Target, advisory band and critical band."""


@dataclass(frozen=True, slots=True)
class Lineage:
    """Which moon jellyfish lives somewhere, and whether it is from brackish water."""

    name: LineageName = "unknown"
    baltic: bool = False


_GROWN_WARM: Around = (25.0, Band(20.0, 29.0), Band(16.0, 31.0))  # 30 is where e has losses
_TEMPERATURE: dict[LineageName, dict[str, Around]] = {
    "aurita": {
        "planula": (12.0, Band(4.0, 17.0), Band(3.0, 22.0)),  # a
        "polyp": (18.0, Band(15.0, 22.0), Band(3.0, 25.0)),  # c; the low side guards against strobilation
        "polyp-cooling": (10.0, Band(7.0, 12.0), Band(3.0, 16.0)),  # f
        "strobila": (10.0, Band(5.0, 13.0), Band(2.0, 16.0)),  # f
        "ephyra": (12.0, Band(7.0, 18.0), Band(4.0, 22.0)),
        "juvenile": (15.0, Band(5.0, 19.0), Band(4.0, 22.0)),  # i
        "adult": (15.0, Band(5.0, 19.0), Band(4.0, 23.0)),  # i
    },
    "coerulea": {
        "planula": (20.0, Band(14.0, 26.0), Band(8.0, 29.0)),  # b
        "polyp": (20.0, Band(17.5, 25.0), Band(5.0, 28.0)),  # d: below 17 it strobilates
        "polyp-cooling": (13.0, Band(10.0, 15.5), Band(3.5, 17.5)),  # g
        "strobila": (13.0, Band(8.0, 17.0), Band(3.0, 19.0)),  # g
        "ephyra": (18.0, Band(10.0, 25.0), Band(6.0, 28.0)),  # h
        "juvenile": (18.0, Band(10.0, 25.0), Band(6.0, 28.0)),
        "adult": (18.0, Band(10.0, 26.0), Band(6.0, 29.0)),
    },
    "warm": {  # strobilates without cooling (e): there is no such stage
        "planula": (25.0, Band(20.0, 28.0), Band(16.0, 31.0)),
        "polyp": (21.0, Band(18.0, 25.0), Band(14.0, 31.0)),  # e
        "strobila": (26.0, Band(24.0, 29.0), Band(20.0, 31.0)),  # e
        "ephyra": _GROWN_WARM,
        "juvenile": _GROWN_WARM,
        "adult": _GROWN_WARM,
    },
}
_BALTIC_COOLING: Around = (10.0, Band(3.0, 12.0), Band(2.0, 16.0))  # f: strongest when cold

_CUE: Around = (30.0, Band(26.0, 34.0), Band(20.0, 40.0))  # k
_SALINITY: dict[str, Around] = {
    "planula": (32.0, Band(26.0, 35.0), Band(20.0, 38.0)),
    "polyp": (31.0, Band(24.0, 35.0), Band(15.0, 40.0)),  # k
    "polyp-cooling": _CUE,
    "strobila": _CUE,
    "ephyra": (31.0, Band(22.0, 35.0), Band(18.0, 38.0)),  # advisory low h
    "juvenile": (32.0, Band(25.0, 35.0), Band(20.0, 38.0)),
    "adult": (32.0, Band(25.0, 35.0), Band(20.0, 38.0)),
}
_AURITA_SURVIVES = {"polyp": 8.0, "polyp-cooling": 12.0, "strobila": 12.0}  # k, at the low side
_BALTIC_SALINITY: Around = (15.0, Band(9.0, 22.0), Band(7.0, 28.0))  # l

_OXYGEN_LOW: dict[str, tuple[float, float]] = {
    "planula": (50.0, 30.0),
    "polyp": (50.0, 20.0),
    "polyp-cooling": (50.0, 20.0),
    "strobila": (60.0, 30.0),
    "ephyra": (75.0, 50.0),
    "juvenile": (70.0, 45.0),
    "adult": (70.0, 40.0),
}
"""Advisory and critical low saturation [%]: guards against a failed flow, the animals themselves bear less.

Ishii et al. 2008, Plankton Benthos Res. 3:107: polyps bud and grow at 35-38 %; Thuesen et al. 2005, J. Exp.
Biol. 208:2475: A. labiata takes oxygen up to below 10 % and behaves normally at 18 %.
"""


_POLYPS = ("polyp", "polyp-cooling", "strobila")
_MILD: dict[LineageName, dict[Quantity, tuple[str, ...]]] = {
    "aurita": {Quantity.TEMPERATURE: ("polyp",), Quantity.SALINITY: _POLYPS},  # c, k
    "coerulea": {Quantity.TEMPERATURE: ("polyp-cooling", "strobila"), Quantity.SALINITY: _POLYPS},  # g, k
    "warm": {},
}
"""Where what is published as tolerated reaches beyond the advisory band: to leave that is of low priority."""
_MILD_OXYGEN = ("polyp", "polyp-cooling")  # Ishii et al. as above


@lru_cache(maxsize=8)
def tolerances_of(lineage: Lineage) -> Mapping[str, Mapping[Quantity, Tolerance]]:
    """Return what each stage of a lineage tolerates; the one column for all where that is unknown.

    Rates of change and gas have no source by lineage: they are those of the column.
    """
    if lineage.name not in _TEMPERATURE:
        return DEFAULT_TOLERANCES
    return {
        stage: _limits(lineage.name, lineage.baltic, stage, temperature)
        for stage, temperature in _TEMPERATURE[lineage.name].items()
    }


def _limits(name: LineageName, baltic: bool, stage: str, temperature: Around) -> dict[Quantity, Tolerance]:
    column = DEFAULT_TOLERANCES[stage]
    per_hour = column[Quantity.TEMPERATURE].max_rise_per_hour or 0.0
    gas = column[Quantity.OXYGEN_SATURATION]
    advisory_low, critical_low = _OXYGEN_LOW[stage]
    if baltic and stage == "polyp-cooling":
        temperature = _BALTIC_COOLING
    limits = stage_limits(
        (*temperature, per_hour),
        (*_salinity(name, baltic, stage), per_hour),
        (Band(advisory_low, gas.advisory.high), Band(critical_low, gas.critical.high)),
        gas.max_fall_per_hour,
    )
    mild = [quantity for quantity, stages in _MILD[name].items() if stage in stages]
    mild += [Quantity.SALINITY] * baltic + [Quantity.OXYGEN_SATURATION] * (stage in _MILD_OXYGEN)
    return limits | {quantity: replace(limits[quantity], mild=True) for quantity in mild}


def _salinity(name: LineageName, baltic: bool, stage: str) -> Around:
    if baltic:
        return _BALTIC_SALINITY
    target, advisory, critical = _SALINITY[stage]
    if name == "aurita" and stage in _AURITA_SURVIVES:
        critical = Band(_AURITA_SURVIVES[stage], critical.high)
    return target, advisory, critical
