"""How long alarms wait to come forward."""

import pytest

from rules.alarms.life_cycle import Priority
from rules.alarms.patience import patience


@pytest.mark.parametrize("stands", [False, True])
def test_what_begins_comes_forward_at_once(stands):
    assert set(patience(True, stands).values()) == {0}


def test_a_critical_alarm_that_only_eases_keeps_nothing_waiting_and_all_else_waits():
    eased, over = patience(False, True), patience(False, False)
    assert eased[Priority.CRITICAL] == 0
    minutes = {rank: ms / 60_000 for rank, ms in over.items()}
    assert minutes == dict.fromkeys(Priority, 30) | {Priority.CRITICAL: 3}, "project judgement"
    assert {rank: ms for rank, ms in eased.items() if ms} == {
        rank: ms for rank, ms in over.items() if rank != Priority.CRITICAL
    }
