"""The calibrations of a journal, from its actions: history is kept there and never edited."""

from collections.abc import Collection, Iterable

from rules.care.calibration import Calibration, calibration_of
from rules.errors import RulesError
from rules.readings import Action

CALIBRATE = "calibrate"


def calibrations_in(actions: Iterable[Action], probes: Collection[tuple[str, str]]) -> list[Calibration]:
    """Return the calibrations among actions, oldest first, of the probes (name and quantity) that there are.

    A calibration that was refused is in the journal as well; the rule that refused it leaves it out here.
    """
    made = []
    for action in actions:
        if action.kind != CALIBRATE:
            continue
        try:
            calibration = calibration_of(action.body, action.at_ms, action.who)
        except RulesError:
            continue
        if (calibration.probe, str(calibration.quantity)) in probes:
            made.append(calibration)
    return made
