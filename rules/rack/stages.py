"""What each life stage of Aurelia tolerates, as starting points for the keeper's own protocol.

CAUTION. Hardly any of these numbers is a finding. Most are common practice or this project's own
judgement, "Aurelia aurita" is several species, and strains differ. Before a rack relies on them,
the person who answers for the animals sets each limit in the settings file.

Marks beside a number:
  CP    common practice or project judgement, no source
  W&L   Webster & Lucas 2012, J. Exp. Mar. Biol. Ecol. 436-437:50-55 (abstract):
        fewer planulae settle at 18 °C
  Sok   Sokolowski et al. 2016, Hydrobiologia 773:49-62 (abstract): strobilation
        reduced at 20, stopped at 25 °C
  coer  a study of polyps of A. coerulea (abstract): over 90 % survive salinity 15-40 at 21 °C and
        20-40 at 12 °C; strobilation at 20-40, best at 28-32
  enc   encyclopaedia copies, original not seen: medusae at 6-31 °C, best at 9-19 °C
  TGP   a stand-in, CP, for the 110 % limit of total gas pressure (US EPA criterion for fish; from memory).
        Oxygen alone does not measure total gas pressure.
"""

from dataclasses import replace

from rules.quantities import Quantity
from rules.rack.tolerance import Band, Tolerance

# Deadband, delays and disagreement of probes for a quantity before any stage sets limits. CP, all of them.
# Oxygen and conductivity carry over what saturation and salinity have, near 15 °C and salinity 32:
# 3 % of 8.29 mg/L, and 0.3 of the 1.1 mS/cm that one unit of salinity makes.
# Limits per hour are taken over 80 minutes: over half an hour, 10 of the 15 rate calls after five simulated
# power dips of twelve minutes were for a change that an hour allows, and a chiller that swings the water by
# 0.4 °C to either side, however slowly within that time, stays under 0.5 °C per hour (`test_trend.py`). For
# oxygen half an hour stays, since a loss of flow is urgent.
_SLOW = Tolerance(on_delay_ms=300_000, critical_on_delay_ms=300_000, off_delay_ms=300_000)
_SALT = replace(_SLOW, deadband=0.3, rate_window_ms=4_800_000)
_GAS = Tolerance(on_delay_ms=180_000, critical_on_delay_ms=60_000, off_delay_ms=180_000)
WITHOUT_LIMITS: dict[Quantity, Tolerance] = {
    Quantity.TEMPERATURE: Tolerance(
        deadband=0.2,
        on_delay_ms=120_000,
        critical_on_delay_ms=60_000,
        off_delay_ms=120_000,
        rate_window_ms=4_800_000,
        max_disagreement=0.5,
    ),
    Quantity.CONDUCTIVITY: _SALT,
    Quantity.SALINITY: replace(_SALT, max_disagreement=1.0),
    Quantity.OXYGEN: replace(_GAS, deadband=0.25),
    Quantity.OXYGEN_SATURATION: replace(_GAS, deadband=3.0, max_disagreement=8.0),
    Quantity.AIR_PRESSURE: replace(_SLOW, deadband=1.0),
}

_Limits = tuple[float, Band, Band, float]
"""Target, advisory band, critical band, and the most that the value may rise or fall per hour."""


def stage_limits(
    temperature: _Limits,
    salinity: _Limits,
    saturation: tuple[Band, Band],
    max_fall_of_saturation: float | None = None,
) -> dict[Quantity, Tolerance]:
    """Return the limits of a stage; saturation has an advisory and a critical band and its fall per hour."""
    balance = 100.0  # by definition: in balance with the air
    return {
        Quantity.TEMPERATURE: _limited(Quantity.TEMPERATURE, *temperature, temperature[-1]),
        Quantity.SALINITY: _limited(Quantity.SALINITY, *salinity, salinity[-1]),
        Quantity.OXYGEN_SATURATION: _limited(
            Quantity.OXYGEN_SATURATION, balance, *saturation, None, max_fall_of_saturation
        ),
    }


def _limited(
    quantity: Quantity, target: float, advisory: Band, critical: Band, rise: float | None, fall: float | None
) -> Tolerance:
    return replace(
        WITHOUT_LIMITS[quantity],
        target=target,
        advisory=advisory,
        critical=critical,
        max_rise_per_hour=rise,
        max_fall_per_hour=fall,
    )


# In a kreisel the animals hang in the flow that also brings the oxygen: a fall faster than this
# many % per hour is taken as loss of flow. CP (project judgement).
_LOSS_OF_FLOW = 10.0

# Low oxygen limits guard against a failed pump, the animals themselves bear less. All CP; the
# high ones are TGP. Temperature rates of 1 °C/h and less are CP ("at most 1 °C/h").
DEFAULT_TOLERANCES: dict[str, dict[Quantity, Tolerance]] = {
    "planula": stage_limits(  # in a dish, until settled
        temperature=(15.0, Band(12.0, 18.0), Band(8.0, 22.0), 1.0),  # CP; advisory high W&L
        salinity=(32.0, Band(28.0, 35.0), Band(24.0, 38.0), 1.0),  # CP
        saturation=(Band(70.0, 105.0), Band(50.0, 110.0)),  # low CP, high TGP
    ),
    "polyp": stage_limits(  # holding and budding, no strobilation wanted
        temperature=(18.0, Band(15.0, 21.0), Band(8.0, 25.0), 1.0),  # CP
        salinity=(32.0, Band(28.0, 35.0), Band(20.0, 38.0), 1.0),  # CP; critical within coer's 20-40
        saturation=(Band(60.0, 110.0), Band(30.0, 120.0)),  # CP
    ),
    # The cold weeks that bring strobilation on. The way down (1 to 2 °C a day, CP) belongs in a
    # stage plan that moves the target, or the cooling itself would alarm.
    "polyp-cooling": stage_limits(
        temperature=(10.0, Band(8.0, 12.0), Band(4.0, 16.0), 1.0),  # CP; critical well under Sok's 20 °C
        # target the middle of coer's best range, advisory coer, critical low coer and high CP, rate CP
        salinity=(30.0, Band(28.0, 32.0), Band(20.0, 36.0), 1.0),
        saturation=(Band(60.0, 110.0), Band(30.0, 120.0)),  # CP
    ),
    "strobila": stage_limits(
        temperature=(10.0, Band(8.0, 13.0), Band(4.0, 16.0), 0.5),  # CP; critical well under Sok's 20 °C
        # target the middle of coer's best range, advisory low coer and high CP, critical and rate CP
        salinity=(30.0, Band(28.0, 33.0), Band(22.0, 36.0), 0.5),
        saturation=(Band(70.0, 105.0), Band(50.0, 110.0)),  # low CP, high TGP
    ),
    "ephyra": stage_limits(
        temperature=(15.0, Band(12.0, 18.0), Band(8.0, 23.0), 0.5),  # CP
        salinity=(32.0, Band(29.0, 34.0), Band(25.0, 37.0), 0.5),  # CP
        saturation=(Band(80.0, 103.0), Band(60.0, 107.0)),  # CP; tighter than TGP, small bells trap bubbles
        max_fall_of_saturation=_LOSS_OF_FLOW,
    ),
    "juvenile": stage_limits(
        temperature=(16.0, Band(13.0, 19.0), Band(8.0, 24.0), 0.5),  # CP
        salinity=(33.0, Band(30.0, 35.0), Band(25.0, 37.0), 0.5),  # CP
        saturation=(Band(80.0, 105.0), Band(60.0, 110.0)),  # low CP, high TGP
        max_fall_of_saturation=_LOSS_OF_FLOW,
    ),
    "adult": stage_limits(
        # target CP, advisory low CP and high enc, critical low enc and high CP, rate CP
        temperature=(16.0, Band(12.0, 19.0), Band(6.0, 25.0), 1.0),
        salinity=(33.0, Band(30.0, 35.0), Band(24.0, 38.0), 1.0),  # CP
        saturation=(Band(75.0, 105.0), Band(50.0, 110.0)),  # low CP, high TGP
        max_fall_of_saturation=_LOSS_OF_FLOW,
    ),
}

USUAL_STAY_DAYS: dict[str, float] = {
    "planula": 10.0,  # CP: settled after seven to ten days
    "strobila": 14.0,  # CP: about two weeks
}
"""After this long somebody should look whether the animals have moved on."""
