"""Every refusal of the rules about probes and hand checks, provoked: a team in °F is told no °C.

The sites are found in the source, so that a new refusal without its row here fails.
"""

import ast
import inspect
import re
import traceback

import numpy as np
import pytest

from daemon.as_read import show_temperatures_in, told
from rules.care import calibration, drift, hand_checks, probe_care, standards
from rules.care.calibration import Line, Point, calibration_of, line_through
from rules.care.standards import Around, point_in
from rules.engine import Engine
from rules.errors import RulesError
from rules.quantities import Quantity
from rules.readings import Action
from rules.water import density
from tests.rules.care.test_probe_care import BY_HAND, PLAN, START_MS, TEMPERATURE_POINT

MODULES = (calibration, drift, hand_checks, probe_care, standards, density)
WARM, SALT, AIR = Quantity.TEMPERATURE, Quantity.CONDUCTIVITY, Quantity.OXYGEN
BODY = {"probe": "k1", "quantity": "temperature", "standard": "ice", "points": [{"read": 0.2, "true": 0.0}]}
NAN = float("nan")


def calibrated(**change):
    return lambda: calibration_of(BODY | change, 0, "kim")


def through(*points, quantity=WARM, **more):
    return lambda: line_through(quantity, [Point(*it) for it in points], **more)


def by_hand(**change):
    body = {key: value for key, value in (BY_HAND | change).items() if value is not None}
    return lambda: hand_checks.hand_measurement_of(body, 0, "kim")


def rack(kind, body):
    """What the engine would refuse, raised by the place that refuses it."""

    def act():
        engine = Engine(PLAN, START_MS)
        care, channels = engine._care, engine._watch_list.channels
        action = Action(START_MS, kind, "kim", body)
        newest = {channel.name: (START_MS, 15.0) for channel in channels}
        if kind == "calibrate":
            care.calibrate(action, PLAN, channels)
        care.hand_measurement(action, PLAN, channels, newest)

    return act


def other_base():
    made = calibration_of(BODY | {"base": {"slope": 1.1, "offset": 0.0}}, 0, "kim")
    calibration.refuse_other_base(made, None)


SG = {"value": None, "specific_gravity": 1.1, "scale": "25/25"}
PROVOKED = {
    "changed meanwhile": other_base,
    "unknown key": calibrated(warm=1),
    "no standard": calibrated(standard=""),
    "no quantity": calibrated(quantity="warmth"),
    "no number": calibrated(points=[{"read": "x", "true": 0.0}]),
    "three points": through((1.0, 1.0), (2.0, 2.0), (3.0, 3.0)),
    "slope at ice": through((0.0, 0.0), said=calibration.Moves.SLOPE),
    "slope below ice": through((-2.0, 1.5), said=calibration.Moves.SLOPE),
    "slope": through((0.0, 0.0), (25.0, 77.0)),
    "salt in air": lambda: calibration.air_saturated(SALT, 8.0, 20.0, 0.0, 1013.0),
    "hot air": lambda: calibration.air_saturated(AIR, 8.0, 77.0, 0.0, 1013.0),
    "read the same": through((20.0, 19.0), (20.0, 25.0)),
    "truly the same": through((20.0, 25.0), (25.0, 25.0)),
    "far": through((32.0, 25.25)),
    "point": calibrated(points=[{"read": 1.0}]),
    "uncertainty": calibrated(points=[{"read": 0.2, "true": 0.0, "uncertainty": -0.1}]),
    "moves": calibrated(moves="both"),
    "base": calibrated(base={"slope": 1.0}),
    "cleaning": calibrated(cleaned={"before": 1.0}),
    "wiped while it was new": calibrated(replaced=True, found=[{"read": 0.2, "true": 0.0}]),
    "drift": lambda: drift.Correction(5, 5, line=Line()),
    "hand: unknown key": by_hand(warm=1),
    "hand: words": by_hand(method=""),
    "hand: nothing": by_hand(value=None),
    "hand: gravity of warmth": by_hand(**SG | {"quantity": "temperature"}),
    "hand: gravity": by_hand(**SG | {"temperature_c": 23.5}),
    "hand: accuracy": by_hand(quantity="temperature", value=15.0, accuracy=-0.5),
    "hand: blind": lambda: hand_checks.refuse_blind(WARM, 50.0, "hand measurement"),
    "no probe": rack("calibrate", TEMPERATURE_POINT | {"probe": "k9"}),
    "nothing to take back": rack("calibrate", TEMPERATURE_POINT | {"withdrawn": True}),
    "no vessel": rack("hand_measurement", BY_HAND | {"vessel": "k9", "value": 33.0}),
    "impossible": rack("hand_measurement", BY_HAND | {"quantity": "temperature", "value": 78.5}),
    "corrects": rack("hand_measurement", BY_HAND | {"value": 33.0, "corrects": 3}),
    "no such standard": lambda: point_in("ice", SALT, 1.0, Around()),
    "bottle too cold": lambda: point_in("kcl-12.88", SALT, 1.0, Around(7.5)),
    "bottle of no temperature": lambda: point_in("kcl-12.88", SALT, 1.0, Around(NAN)),
    "hydrometer": lambda: density.salinity_from_hydrometer(np.array([1.02]), None, 20.0),
    "scale": lambda: density.SpecificGravityScale.parse("warm"),
    "scale in F": lambda: density.SpecificGravityScale.parse("60/60"),
}


def refused(provoke):
    with pytest.raises(RulesError) as raised:
        provoke()
    return raised.value


def site(error):
    frame = traceback.extract_tb(error.__traceback__)[-1]
    return frame.filename, frame.lineno


@pytest.fixture
def fahrenheit():
    show_temperatures_in("F")
    yield
    show_temperatures_in("C")


def test_every_refusal_is_provoked_here():
    came = {site(refused(provoke)) for provoke in PROVOKED.values()}
    for module in MODULES:
        for node in ast.walk(ast.parse(inspect.getsource(module))):
            if isinstance(node, ast.Raise):
                lines = range(node.lineno, node.end_lineno + 1)
                here = {(module.__file__, line) for line in lines}
                assert here & came, f"{module.__name__}:{node.lineno}"


@pytest.mark.parametrize("name", PROVOKED)
def test_no_refusal_holds_a_temperature_in_the_other_unit(name, fahrenheit):
    own = str(refused(PROVOKED[name]))
    said = told(own)
    assert not re.search(r"°C|\d K\b", said)
    assert len(re.findall(r"\d (?:°C|K)\b", own)) == len(re.findall(r"\d °F", said))


def test_the_numbers_are_those_that_were_typed_in(fahrenheit):
    """25.25 °C is 77.45 °F, 32 is 89.6; five degrees apart are nine, by hand."""
    said = told(str(refused(PROVOKED["far"])))
    assert said.startswith("temperature 89.6 °F read for 77.45 °F: at most 9 °F apart would be drift")
    assert told(str(refused(PROVOKED["impossible"]))) == (
        "temperature 173.3 °F: 23 to 122 °F would be possible; is it in another unit?"
    )
    assert "at 45.5 °F: give its temperature (59 to 86 °F" in told(str(refused(PROVOKED["bottle too cold"])))
    assert told("slope 2 %/K, probe k5 K2, 1.5e-05 K") == "slope 2 %/K, probe k5 K2, 2.7e-05 °F"


def test_a_team_in_celsius_is_told_so():
    assert told("at most 5 K apart; 20.5 °C") == "at most 5 °C apart; 20.5 °C"
