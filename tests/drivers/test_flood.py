"""How much of a probe that publishes without end is let in."""

from drivers.flood import BURST, PER_SECOND, SHUT_MS, FloodGate


def test_a_steady_probe_is_never_shut_out():
    gate = FloodGate()
    assert all(gate.lets_in(1000 * nth // PER_SECOND) for nth in range(10_000))


def test_a_burst_is_let_in_and_what_goes_on_is_shut_out():
    gate = FloodGate()
    assert sum(gate.lets_in(1_000) for _ in range(2 * BURST)) == BURST
    assert (gate.is_shut, gate.refused) == (True, BURST)


def test_after_its_time_it_opens_again_once():
    gate = FloodGate()
    while gate.lets_in(1_000):
        pass
    assert not gate.opens(1_000 + SHUT_MS - 1)
    assert gate.opens(1_000 + SHUT_MS)
    assert not gate.opens(1_000 + SHUT_MS)
    assert gate.lets_in(1_000 + SHUT_MS)
    assert gate.refused == 0
