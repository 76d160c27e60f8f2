"""How long alarms wait, once what explained them is over, before one of them comes forward.

What shares a cause is not over at one moment: the probes of a bus answer again one after the other, the
slowest after some minutes, and vessels recover at their own pace; a rate over the last hour tells half
an hour late that a change is over. (Project judgement: with one minute for all, each of five simulated
power dips called once more for the last tray to cool; with a quarter of an hour, each of three nights
without mains.)
"""

from collections.abc import Mapping

from rules.alarms.life_cycle import Priority

Patience = Mapping[Priority, int]
"""Milliseconds by the priority of the alarm that waits."""

AT_ONCE: Patience = dict.fromkeys(Priority, 0)
LAST_BACK: Patience = dict.fromkeys(Priority, 1_800_000) | {Priority.CRITICAL: 180_000}


def patience(begins: bool, stands: bool) -> Patience:
    """Return it for a level that `begins` or is over, of an alarm that still `stands` or has returned.

    Where an announced alarm only eases, people are there for less: a critical one does not wait.
    """
    if begins:
        return AT_ONCE
    return {**LAST_BACK, Priority.CRITICAL: 0} if stands else LAST_BACK
