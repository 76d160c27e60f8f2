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
# Limits per hour are taken over an hour: over half of one, 10 of the 15 rate calls after five simulated
# power dips of twelve minutes were for a change that an hour allows. For oxygen half an hour stays, since
# a loss of flow is urgent.
_PER_HOUR_MS = 3_600_000
WITHOUT_LIMITS: dict[Quantity, Tolerance] = {
    Quantity.TEMPERATURE: Tolerance(
        deadband=0.2,
        on_delay_ms=120_000,
        critical_on_delay_ms=60_000,
        off_delay_ms=120_000,
        rate_window_ms=_PER_HOUR_MS,
        max_disagreement=0.5,
    ),
    Quantity.CONDUCTIVITY: Tolerance(
        deadband=0.3,
        on_delay_ms=300_000,
        critical_on_delay_ms=300_000,
        off_delay_ms=300_000,
        rate_window_ms=_PER_HOUR_MS,
    ),
    Quantity.SALINITY: Tolerance(
        deadband=0.3,
        on_delay_ms=300_000,
        critical_on_delay_ms=300_000,
        off_delay_ms=300_000,
        rate_window_ms=_PER_HOUR_MS,
        max_disagreement=1.0,
    ),
    Quantity.OXYGEN: Tolerance(
        deadband=0.25, on_delay_ms=180_000, critical_on_delay_ms=60_000, off_delay_ms=180_000
    ),
    Quantity.OXYGEN_SATURATION: Tolerance(
        deadband=3.0,
        on_delay_ms=180_000,
        critical_on_delay_ms=60_000,
        off_delay_ms=180_000,
        max_disagreement=8.0,
    ),
    Quantity.AIR_PRESSURE: Tolerance(
        deadband=1.0, on_delay_ms=300_000, critical_on_delay_ms=300_000, off_delay_ms=300_000
    ),
}


def _temperature(target: float, advisory: Band, critical: Band, per_hour: float) -> Tolerance:
    return replace(
        WITHOUT_LIMITS[Quantity.TEMPERATURE],
        target=target,
        advisory=advisory,
        critical=critical,
        max_rise_per_hour=per_hour,
        max_fall_per_hour=per_hour,
    )


def _salinity(target: float, advisory: Band, critical: Band, per_hour: float) -> Tolerance:
    return replace(
        WITHOUT_LIMITS[Quantity.SALINITY],
        target=target,
        advisory=advisory,
        critical=critical,
        max_rise_per_hour=per_hour,
        max_fall_per_hour=per_hour,
    )


def _saturation(advisory: Band, critical: Band, max_fall_per_hour: float | None = None) -> Tolerance:
    return replace(
        WITHOUT_LIMITS[Quantity.OXYGEN_SATURATION],
        target=100.0,  # by definition: in balance with the air
        advisory=advisory,
        critical=critical,
        max_fall_per_hour=max_fall_per_hour,
    )


# In a kreisel the animals hang in the flow that also brings the oxygen: a fall faster than this
# many % per hour is taken as loss of flow. CP (project judgement).
_LOSS_OF_FLOW = 10.0

# Low oxygen limits guard against a failed pump, the animals themselves bear less. All CP; the
# high ones are TGP. Temperature rates of 1 °C/h and less are CP ("at most 1 °C/h").
DEFAULT_TOLERANCES: dict[str, dict[Quantity, Tolerance]] = {
    # In a dish, until settled.
    "planula": {
        Quantity.TEMPERATURE: _temperature(
            15.0,  # CP
            Band(12.0, 18.0),  # low CP, high W&L
            Band(8.0, 22.0),  # CP
            1.0,  # CP
        ),
        Quantity.SALINITY: _salinity(32.0, Band(28.0, 35.0), Band(24.0, 38.0), 1.0),  # CP
        Quantity.OXYGEN_SATURATION: _saturation(Band(70.0, 105.0), Band(50.0, 110.0)),  # low CP, high TGP
    },
    # Holding and budding, no strobilation wanted.
    "polyp": {
        Quantity.TEMPERATURE: _temperature(
            18.0,  # CP
            Band(15.0, 21.0),  # CP
            Band(8.0, 25.0),  # CP
            1.0,  # CP
        ),
        Quantity.SALINITY: _salinity(
            32.0,  # CP
            Band(28.0, 35.0),  # CP
            Band(20.0, 38.0),  # within coer's 20-40
            1.0,  # CP
        ),
        Quantity.OXYGEN_SATURATION: _saturation(Band(60.0, 110.0), Band(30.0, 120.0)),  # CP
    },
    # The cold weeks that bring strobilation on. The way down (1 to 2 °C a day, CP) belongs in a
    # stage plan that moves the target, or the cooling itself would alarm.
    "polyp-cooling": {
        Quantity.TEMPERATURE: _temperature(
            10.0,  # CP
            Band(8.0, 12.0),  # CP
            Band(4.0, 16.0),  # CP; well under Sok's 20 °C
            1.0,  # CP
        ),
        Quantity.SALINITY: _salinity(
            30.0,  # middle of coer's best range
            Band(28.0, 32.0),  # coer
            Band(20.0, 36.0),  # low coer, high CP
            1.0,  # CP
        ),
        Quantity.OXYGEN_SATURATION: _saturation(Band(60.0, 110.0), Band(30.0, 120.0)),  # CP
    },
    "strobila": {
        Quantity.TEMPERATURE: _temperature(
            10.0,  # CP
            Band(8.0, 13.0),  # CP
            Band(4.0, 16.0),  # CP; well under Sok's 20 °C
            0.5,  # CP
        ),
        Quantity.SALINITY: _salinity(
            30.0,  # middle of coer's best range
            Band(28.0, 33.0),  # low coer, high CP
            Band(22.0, 36.0),  # CP
            0.5,  # CP
        ),
        Quantity.OXYGEN_SATURATION: _saturation(Band(70.0, 105.0), Band(50.0, 110.0)),  # low CP, high TGP
    },
    "ephyra": {
        Quantity.TEMPERATURE: _temperature(15.0, Band(12.0, 18.0), Band(8.0, 23.0), 0.5),  # CP
        Quantity.SALINITY: _salinity(32.0, Band(29.0, 34.0), Band(25.0, 37.0), 0.5),  # CP
        Quantity.OXYGEN_SATURATION: _saturation(
            Band(80.0, 103.0),  # CP; tighter than TGP, small bells trap bubbles
            Band(60.0, 107.0),  # CP
            _LOSS_OF_FLOW,
        ),
    },
    "juvenile": {
        Quantity.TEMPERATURE: _temperature(16.0, Band(13.0, 19.0), Band(8.0, 24.0), 0.5),  # CP
        Quantity.SALINITY: _salinity(33.0, Band(30.0, 35.0), Band(25.0, 37.0), 0.5),  # CP
        Quantity.OXYGEN_SATURATION: _saturation(
            Band(80.0, 105.0),  # low CP, high TGP
            Band(60.0, 110.0),  # low CP, high TGP
            _LOSS_OF_FLOW,
        ),
    },
    "adult": {
        Quantity.TEMPERATURE: _temperature(
            16.0,  # CP
            Band(12.0, 19.0),  # low CP, high enc
            Band(6.0, 25.0),  # low enc, high CP
            1.0,  # CP
        ),
        Quantity.SALINITY: _salinity(33.0, Band(30.0, 35.0), Band(24.0, 38.0), 1.0),  # CP
        Quantity.OXYGEN_SATURATION: _saturation(
            Band(75.0, 105.0),  # low CP, high TGP
            Band(50.0, 110.0),  # low CP, high TGP
            _LOSS_OF_FLOW,
        ),
    },
}

USUAL_STAY_DAYS: dict[str, float] = {
    "planula": 10.0,  # CP: settled after seven to ten days
    "strobila": 14.0,  # CP: about two weeks
}
"""After this long somebody should look whether the animals have moved on."""
