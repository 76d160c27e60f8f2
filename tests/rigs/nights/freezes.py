"""A probe that stands still in water that moves, and a witness that shows the move: when is it told?

Invented water; probes, last digits, intervals and moments are drawn by lots that were drawn once, by
`secrets`. When a witness has spoken is worked out here, from what it read itself.
"""

import gsw
import numpy as np

from rules.alarms.life_cycle import Condition, Priority, State, Trigger
from rules.engine import Engine
from rules.quality.settings import DEFAULT_QUALITY
from rules.quantities import Quantity
from rules.rack.plan import RackPlan, Source
from rules.rack.stages import DEFAULT_TOLERANCES
from rules.readings import Readings
from tests.faults.chain import solubility_mg_l

START_MS = 1_761_004_800_000
MINUTE, HOUR = 60_000, 3_600_000
NAMES = {"t": 1, "c": 2, "o": 3, "t2": 4, "o2": 5, "p": 6}
QUANTITIES = dict(
    zip(
        NAMES,
        (
            Quantity.TEMPERATURE,
            Quantity.CONDUCTIVITY,
            Quantity.OXYGEN,
            Quantity.TEMPERATURE,
            Quantity.OXYGEN,
            Quantity.AIR_PRESSURE,
        ),
        strict=True,
    )
)
HIDES = {"c": "k1/salinity", "o": "k1/oxygen_saturation"}
HAD_TO_MOVE = {("t", "t2"): 0.5, ("c", "t2"): 0.5, ("c", "t"): 0.5, ("o", "t2"): 2.0, ("o", "o2"): 0.5}
"""By how much the witness moves when the other had to show it: the issue's own rule, two percent a kelvin."""
NOISE = {"t": 0.012, "c": 0.014, "o": 0.02, "t2": 0.012, "o2": 0.02, "p": 0.1}


def plan(probes, every_s):
    """An ephyra kreisel with one multi-probe, others beside it."""
    alone = {"t2": "second-t", "o2": "second-o", "p": "room"}
    sources = tuple(
        Source(
            NAMES[it],
            alone.get(it, "multi"),
            QUANTITIES[it],
            "rack" if it == "p" else "k1",
            max(150, 5 * every_s) * 1000,
            f"line-{alone.get(it, 'multi')}",
            every_ms=every_s * 1000,
        )
        for it in probes
    )
    return RackPlan(
        "bench", sources, {"k1": "ephyra"}, {"ephyra": DEFAULT_TOLERANCES["ephyra"]}, DEFAULT_QUALITY
    )


def block(at, values, probes):
    """The readings of some probes in order of arrival."""
    rows = sorted(
        (int(ms), NAMES[it], float(values[it][place])) for place, ms in enumerate(at) for it in probes
    )
    times = START_MS + np.array([row[0] for row in rows], dtype=np.int64)
    source, value = np.array([row[1] for row in rows]), np.array([row[2] for row in rows])
    return Readings(np.arange(1, len(rows) + 1), times, source, times, value)


def told_min(at, values, probes, every_s, hides, since_ms):
    """Minutes from `since_ms` until what is frozen was told at the priority of what it hides.

    Where a second probe still shows it (`hides` empty) nothing is hidden: then at any priority.
    """
    readings = block(at, values, probes)
    events = Engine(plan(probes, every_s), START_MS).feed(readings).events
    begun = [it for it in events if it.trigger in (Trigger.RAISED, Trigger.WORSENED)]
    told = [it for it in begun if it.state is State.UNACKNOWLEDGED]
    if hides:
        told = [it for it in told if it.priority is Priority.CRITICAL]
    early = [it.alarm for it in told if it.at_ms < START_MS + 49 * HOUR]
    assert not early
    hidden = [
        it
        for it in told
        if not hides or (it.condition is Condition.UNWATCHED and hides in it.evidence.hidden)
    ]
    return (hidden[0].at_ms - START_MS - since_ms) / MINUTE if hidden else np.inf


def drawn(lot, stuck, witness, every_s):
    """Water that warms or loses oxygen somewhat, inside the limits, and a probe that stands still in it.

    A lone thermometer that moves faster than 1.5 K/h beside a cell that does not is no witness: either may
    lie, and the water is told as changing too fast.
    """
    draw = np.random.default_rng([lot, every_s])
    at = np.arange(every_s * 1000, 57 * HOUR, every_s * 1000)
    froze = draw.uniform(49.0, 51.0) * HOUR
    over_h, turn = draw.uniform(2.4 if witness == "t" else 0.7, 3.5), froze + draw.uniform(0.0, 1.5) * HOUR
    share = np.clip((at - turn) / (over_h * HOUR), 0.0, 1.0)
    moves = draw.uniform(2.3, 3.2) * (1 if draw.random() < 0.5 else -1)
    celsius = 15.0 + 0.1 * np.sin(at / HOUR) + (moves * share if witness[0] == "t" else 0.0)
    percent = 97.0 + np.sin(at / HOUR) - (draw.uniform(16.0, 22.0) * share if witness == "o2" else 0.0)
    mg_l = percent / 100 * solubility_mg_l(celsius, 32.0)
    exact = {"t": celsius, "t2": celsius + 0.1, "o": mg_l, "o2": mg_l, "c": gsw.C_from_SP(32.0, celsius, 0.0)}
    exact["p"] = np.full(at.size, 1012.0)
    digit = {it: float(draw.choice([0.01, 0.02, 0.05, 0.1])) for it in exact}
    values = {
        it: np.round(np.round((true + NOISE[it] * draw.normal(size=at.size)) / digit[it]) * digit[it], 6)
        for it, true in exact.items()
    }
    after = at >= froze
    first = values[stuck][after][0]
    dithers = digit[stuck] * draw.integers(0, 2, after.sum()) if draw.random() < 0.5 else 0.0
    values[stuck][after] = np.round(first + dithers, 6)
    spoken = np.abs(exact[witness] - exact[witness][after][0]) >= max(
        HAD_TO_MOVE[stuck, witness], 5 * digit[stuck]
    )
    return at, values, froze, float(at[after & spoken][0])
