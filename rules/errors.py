"""What the rules refuse.

RulesError
├── AlarmError              an action that the state of an alarm does not allow
├── CalibrationError        points that make no sensible calibration
├── HandMeasurementError    a hand measurement that says too little, or nonsense
├── InputError              readings, actions or a snapshot that the engine cannot take
└── SeawaterError           a quantity of the water that cannot be computed from what was given
"""

import difflib
from collections.abc import Collection


class RulesError(Exception):
    """The rules were given something that has no meaning; the message says what would be right."""


class AlarmError(RulesError):
    """An operator's action does not fit the alarm as it stands; nothing was changed."""


class CalibrationError(RulesError):
    """The points of a calibration make no sensible line, or say too little."""


class HandMeasurementError(RulesError):
    """A hand measurement says too little, or what no water can be."""


class InputError(RulesError):
    """The engine was given inputs out of order or of the wrong form; nothing was changed."""


class SeawaterError(RulesError):
    """Seawater science was asked for something undefined, such as an SG without reference temperatures."""


def none_such(given: str, known: Collection[str]) -> str:
    """Say that there is nothing of the name that was given, and which name is meant, or which there are."""
    near = difflib.get_close_matches(given, list(known), n=1)
    hint = f"did you mean {near[0]}?" if near else f"known are: {', '.join(sorted(known)[:12]) or 'none'}"
    return f"there is no {given}; {hint}"
