"""How much of a probe that publishes without end is let in."""

from drivers.flood import BURST, MOST_HOMES, PER_SECOND, SHUT_MS, FloodGate, Gates


def test_a_steady_probe_is_never_shut_out():
    gate = FloodGate()
    assert all(gate.lets_in(1000 * nth // PER_SECOND) for nth in range(10_000))


def test_a_burst_is_let_in_and_what_goes_on_is_shut_out():
    gate = FloodGate()
    assert sum(gate.lets_in(1_000) for _ in range(2 * BURST)) == BURST
    assert gate.is_shut


def test_after_its_time_it_opens_again_once():
    gate = FloodGate()
    while gate.lets_in(1_000):
        pass
    assert not gate.opens(1_000 + SHUT_MS - 1)
    assert gate.opens(1_000 + SHUT_MS)
    assert not gate.opens(1_000 + SHUT_MS)
    assert gate.lets_in(1_000 + SHUT_MS)


def flooded(gates, topic, now_ms=1_000):
    """Let one more than a burst come from a topic under `lab/+`; return how many were let in."""
    return sum(gates.lets_in("lab/+", topic, now_ms) for _ in range(BURST + 1))


def test_a_flood_into_a_wildcard_leaves_its_homes():
    gates = Gates(["water", "lab/+"])
    assert [gates.found_home("lab/+", it) for it in ("lab/a", "lab/b", "lab/a")] == [True, True, False]
    assert not gates.found_home("water", "water")
    assert flooded(gates, "lab/junk") == BURST
    assert gates.listened() == ["water", "lab/a", "lab/b"]
    assert gates.lets_in("lab/+", "lab/a", 1_000)
    assert flooded(gates, "lab/b") == BURST
    assert gates.listened() == ["water", "lab/a"]
    gates.open_again(1_000 + SHUT_MS)
    assert gates.listened() == ["water", "lab/+"]
    assert gates.known() == {"water", "lab/+", "lab/a", "lab/b"}


def test_a_home_that_floods_shuts_the_wildcard_and_no_other_home():
    gates = Gates(["lab/+"])
    for topic in ("lab/a", "lab/b"):
        gates.found_home("lab/+", topic)
    assert flooded(gates, "lab/b") == BURST
    assert gates.listened() == ["lab/a"]


def test_homes_without_end_are_not_kept():
    gates = Gates(["lab/+"])
    assert sum(gates.found_home("lab/+", f"lab/{nth}") for nth in range(10 * MOST_HOMES)) == MOST_HOMES
