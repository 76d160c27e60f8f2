"""The unit that people of this process read a quantity in: chosen once, as its language is."""

import re
from functools import partial

from rules.quantities import Quantity, from_unit, to_unit, unit_of

READ_IN: dict[str, str] = {}
"""By quantity, where it is not the quantity's own."""

_DIFFERENCE_IN_REASON = re.compile(r"(?<=worse by )\S+|\S+(?= would be explained)")
"""Where the reasons that the rules give hold a difference, in the quantity's own unit."""

_TEMPERATURES = re.compile(r"(?<![\w.])(?P<numbers>-?[\d.]+(e-?\d+)?( to -?[\d.]+)?) (?P<unit>°C|K)\b")
"""A temperature, a range of them, or in K a difference, as refusals write them."""


def show_temperatures_in(unit: str) -> None:
    """Choose, as a process chooses its language, whether people read °C ("C") or °F ("F")."""
    READ_IN.clear()
    if unit == "F":
        READ_IN[Quantity.TEMPERATURE] = unit


def shown(value: float, quantity: str, *, difference: bool = False) -> float:
    """Return a value of a quantity, or a difference of two, in the unit that people read it in."""
    unit = READ_IN.get(quantity)
    return value if unit is None else to_unit(Quantity(quantity), unit, value, difference=difference)


def own(value: float, quantity: str, *, difference: bool = False) -> float:
    """Return in the quantity's own unit what people wrote in the one that they read."""
    unit = READ_IN.get(quantity)
    return value if unit is None else from_unit(Quantity(quantity), unit, value, difference=difference)


def shown_unit(quantity: str, if_own: str | None = None) -> str:
    """Return the unit that people read a quantity in; `if_own` where that is its own and somebody said it."""
    if quantity in READ_IN:
        return f"°{READ_IN[quantity]}"
    return unit_of(Quantity(quantity)) if if_own is None else if_own


def shown_reason(reason: str, quantity: str) -> str:
    """Return a reason of the rules with the difference in it as people read it."""
    if quantity not in READ_IN:
        return reason
    between = partial(shown, quantity=quantity, difference=True)
    return _DIFFERENCE_IN_REASON.sub(lambda it: f"{between(float(it[0])):.2g}", reason)


def told(text: str) -> str:
    """Return a refusal of the rules with the temperatures in it as people read them (`with_unit`)."""

    def again(found: re.Match[str]) -> str:
        between = partial(shown, quantity=Quantity.TEMPERATURE, difference=found["unit"] == "K")
        numbers = " to ".join(f"{between(float(it)):.5g}" for it in found["numbers"].split(" to "))
        return f"{numbers} {shown_unit(Quantity.TEMPERATURE)}"

    return _TEMPERATURES.sub(again, text)
