"""The calibrations of a journal, from its actions: history is kept there and never edited."""

from daemon.journal.journal import Journal
from rules.care.calibration import Calibration, calibration_of, refuse_other_base
from rules.errors import RulesError

CALIBRATE = "calibrate"


def calibrations_in(journal: Journal) -> list[Calibration]:
    """Return the calibrations of the probes that there are, oldest first.

    A calibration that was refused is in the journal as well; the rule that refused it leaves it out here.
    """
    probes, made = {source[:2] for source in journal.inputs.sources().values()}, []
    newest: dict[str, Calibration] = {}
    for action in journal.inputs.actions(CALIBRATE):
        try:
            one = calibration_of(action.body, action.at_ms, action.who)
            refuse_other_base(one, newest.get(one.key))
        except RulesError:
            continue
        made.append(one)
        newest[one.key] = one
    return [calibration for calibration in made if (calibration.probe, calibration.quantity) in probes]
