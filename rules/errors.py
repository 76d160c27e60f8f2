"""What the rules refuse.

RulesError
└── SeawaterError    a quantity of the water that cannot be computed from what was given
"""


class RulesError(Exception):
    """The rules were given something that has no meaning; the message says what would be right."""


class SeawaterError(RulesError):
    """Seawater science was asked for something undefined, such as an SG without reference temperatures."""
