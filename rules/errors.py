"""What the rules refuse.

RulesError
├── AlarmError       an action that the state of an alarm does not allow
├── InputError       readings, actions or a snapshot that the engine cannot take
└── SeawaterError    a quantity of the water that cannot be computed from what was given
"""


class RulesError(Exception):
    """The rules were given something that has no meaning; the message says what would be right."""


class AlarmError(RulesError):
    """An operator's action does not fit the alarm as it stands; nothing was changed."""


class InputError(RulesError):
    """The engine was given inputs out of order or of the wrong form; nothing was changed."""


class SeawaterError(RulesError):
    """Seawater science was asked for something undefined, such as an SG without reference temperatures."""
