"""A record that is played again is found out; what is coarse, steady or cycles never is. All invented."""

from itertools import pairwise

import numpy as np
import pytest

from rules.plain import to_plain
from rules.quality.calm import MOVING
from rules.quality.replayed import KEPT, WINDOW, Played, Rests, played, rested

POLL_MS, DAY = 30_000, 2880
DAY_MS = 24 * 3_600_000
LOT = 2_207_481_193


def judged(value, past=None, first=0, every_ms=POLL_MS):
    at_ms = (first + np.arange(value.size)) * every_ms
    return played(at_ms, value, Played() if past is None else past, every_ms).since_ms[1:]


def by_rests(value, past=None, first=0, every_ms=POLL_MS):
    at_ms = (first + np.arange(value.size)) * every_ms
    past = Rests() if past is None else past
    return rested(at_ms, value, changes(value, past), past, every_ms)[1:]


def changes(value, past):
    """Return where readings change after those that rest."""
    row = [past.value]
    found = []
    for at, its in enumerate(value.tolist()):
        if np.isfinite(its) and its != row[-1]:
            row.append(its)
            found.append(at)
    return np.array(found, dtype=np.int64)


def noisy(draw, size, noise, digit):
    value = 15.0 + 0.3 * np.sin(np.arange(size) / 300.0) + noise * draw.normal(size=size)
    return np.round(value / digit) * digit if digit else value


def steady_or_cycling(noise, digit, cycle):
    """A month of coarse readings of water that a thermostat cycles in so many polls (0: none does)."""
    draw, size = np.random.default_rng([LOT, cycle]), 30 * DAY
    value = noisy(draw, size, noise, 0.0)
    if cycle:
        turns = np.cumsum(1.0 + 0.02 * draw.normal(size=size)) / cycle
        value += 0.3 * np.abs(turns % 1.0 * 4.0 - 2.0) - 0.3
    return np.round(value / digit) * digit


def with_hour_again(draw, noise, digit):
    value, length = noisy(draw, 2 * DAY, noise, digit), round(draw.uniform(90, 240))
    value[DAY:] = np.resize(value[DAY - length : DAY], DAY)
    return value, length


@pytest.mark.parametrize(("noise", "digit"), [(0.01, 0.0), (0.02, 0.01), (0.3, 0.1)])
@pytest.mark.parametrize("number", range(8))
def test_an_hour_that_is_played_again_is_found_within_half_an_hour_and_for_as_long_as_it_lasts(
    noise, digit, number
):
    value, _ = with_hour_again(np.random.default_rng([LOT, number]), noise, digit)
    found = judged(value) != MOVING
    assert not found[:DAY].any()
    first = int(np.argmax(found)) - DAY
    assert first * POLL_MS <= 30 * 60_000
    assert found[DAY + first :].all(), "where the hour begins again too"


@pytest.mark.parametrize("every_ms", [5_000, 15_000, 30_000, 60_000])
def test_a_gateway_that_plays_the_day_before_is_found_out_however_often_it_is_read(every_ms):
    """Seen: of a probe that is read every 15 s the record was forgotten after 17 hours."""
    day = DAY_MS // every_ms
    value = noisy(np.random.default_rng([LOT, every_ms]), 2 * day, 0.02, 0.001)
    found = judged(np.concatenate((value, value[day:])), every_ms=every_ms) != MOVING
    assert not found[: 2 * day].any()
    assert found[2 * day : 2 * day + 30 * 60_000 // every_ms].any()


@pytest.mark.parametrize("number", range(20))
@pytest.mark.parametrize("digit", [0.0, 0.001])
def test_a_fine_probe_that_is_read_each_minute_is_found_out_within_half_an_hour(digit, number):
    """Seen: after up to 40 minutes, as only every fourth stretch was kept."""
    draw, length = np.random.default_rng([LOT, 300 + number]), 1440
    value = noisy(draw, 2 * length, 0.02, digit)
    value[length:] = np.resize(value[length - round(draw.uniform(45, 120)) : length], length)
    found = judged(value, every_ms=60_000) != MOVING
    assert not found[:length].any()
    assert found[length : length + 30].any()


def test_fresh_water_after_a_record_is_believed_again():
    draw = np.random.default_rng([LOT, 100])
    value = noisy(draw, 2 * DAY, 0.02, 0.01)
    value[DAY : DAY + 120] = value[DAY - 500 : DAY - 380]
    found = judged(value) != MOVING
    assert found[DAY + 100 : DAY + 120].all()
    assert not found[DAY + 200 :].any()


@pytest.mark.parametrize("cycle", [0, 18, 80], ids=["no thermostat", "9 min", "40 min"])
@pytest.mark.parametrize(("noise", "digit"), [(0.0, 0.1), (0.03, 0.1), (0.06, 0.1), (0.01, 0.01), (0.4, 1.0)])
def test_coarse_or_cycling_water_is_never_accused(noise, digit, cycle):
    value = steady_or_cycling(noise, digit, cycle)
    assert (judged(value) == MOVING).all()
    assert (by_rests(value) == MOVING).all()


@pytest.mark.parametrize("number", range(12))
def test_a_probe_that_something_switched_shifts_to_and_fro_is_never_accused(number):
    draw, size = np.random.default_rng([77, number]), 5 * DAY
    digits, share, noise = draw.integers(3, 20), draw.uniform(0.2, 0.6), draw.uniform(0.1, 0.6)
    turns = np.cumsum(1.0 + 0.05 * draw.normal(size=size)) / draw.uniform(6, 40)
    value = 1500.0 + digits * (turns % 1.0 < share) + noise * draw.normal(size=size)
    assert (judged(np.round(value) * 0.01) == MOVING).all()
    assert (by_rests(np.round(value) * 0.01) == MOVING).all()


@pytest.mark.parametrize("cycle", [3, 4, 6, 8])
def test_a_cycle_that_keeps_step_with_the_polls_is_never_accused(cycle):
    draw, turns = np.random.default_rng([LOT, cycle]), np.arange(5 * DAY) / cycle % 1.0
    for shape in (np.abs(turns * 4.0 - 2.0), 2.0 * (turns < 0.5)):
        value = 15.0 + 0.6 * shape + 0.02 * draw.normal(size=turns.size)
        assert (judged(np.round(value, 1)) == MOVING).all()
        assert (by_rests(np.round(value, 1)) == MOVING).all()


@pytest.mark.parametrize("number", range(10))
@pytest.mark.parametrize("noise", [0.2, 0.4])
def test_a_coarse_probe_that_plays_the_day_before_is_found_by_how_long_it_rests(noise, number):
    """`noise` in last digits, by which it turns back a few times an hour: too seldom to zigzag."""
    draw, day = np.random.default_rng([LOT, 400 + number]), 1440
    past = noisy(draw, 2 * day, noise * 0.1, 0.1)
    value = np.concatenate((past, past[day:]))
    assert (judged(value, every_ms=60_000) == MOVING).all()
    found = by_rests(value, every_ms=60_000)
    assert (found[: 2 * day] == MOVING).all()
    assert (found[2 * day : 2 * day + 6 * 60] != MOVING).any()
    began_h = (found[found != MOVING][0] / 60_000 - 2 * day) / 60
    assert -0.5 <= began_h <= 6.0, "the record began then, or later"


@pytest.mark.parametrize("number", range(4))
def test_any_cut_finds_the_same_rests_and_carries_the_same(number):
    draw = np.random.default_rng([LOT, 500 + number])
    past = noisy(draw, 1440, 0.03, 0.1)
    value = np.concatenate((past, past))
    value[draw.integers(0, 1440, 50)] = np.nan
    whole, parts, found = Rests(), Rests(), []
    expected = by_rests(value, whole)
    cuts = [0, *np.sort(draw.integers(0, value.size, 200)).tolist(), value.size]
    for start, stop in pairwise(cuts):
        found.append(by_rests(value[start:stop], parts, start))
    assert np.array_equal(np.concatenate(found), expected)
    assert to_plain(parts) == to_plain(whole)
    assert (expected != MOVING).any()


@pytest.mark.parametrize("number", range(4))
@pytest.mark.parametrize("digit", [0.01, 0.1])
def test_any_cut_finds_the_same_and_carries_the_same(digit, number):
    draw = np.random.default_rng([LOT, 200 + number])
    value, _ = with_hour_again(draw, 0.02, digit)
    value[draw.integers(0, value.size, 50)] = np.nan
    whole, parts, found = Played(), Played(), []
    expected = judged(value, whole)
    cuts = [0, *np.sort(draw.integers(0, value.size, 200)).tolist(), value.size]
    for start, stop in pairwise(cuts):
        found.append(judged(value[start:stop], parts, start))
    assert np.array_equal(np.concatenate(found), expected)
    assert to_plain(parts) == to_plain(whole)


def test_what_is_carried_does_not_grow():
    past = Played()
    judged(noisy(np.random.default_rng(LOT), 10 * DAY, 0.02, 0.0), past)
    assert (past.ring.size, len(past.value), len(past.time_ms)) == (KEPT, WINDOW, WINDOW)


def test_a_hash_is_the_one_that_is_written_down():
    """By whole numbers alone; of the first sixteen readings it has powers that leave room for twelve more."""
    row, factor, past = np.random.default_rng(LOT).normal(15.0, 0.01, 43), 0x9E3779B97F4A7C15, Played()
    judged(row, past, every_ms=4 * POLL_MS)
    mixed, powers = (
        [(it ^ it >> 32) * factor for it in row.view(np.uint64).tolist()],
        (*range(31, 15, -1), 3, 2, 1, 0),
    )
    windows = [zip(mixed[at : at + WINDOW], powers, strict=True) for at in range(24)]
    sums = [sum(its * factor**power for its, power in window) % 2**64 for window in windows]
    assert past.ring.tolist() == [(it ^ it >> 29) * factor % 2**64 for it in sums]


class Plainly:
    """What comes again, reading by reading: windows of twenty changing readings, kept as they are.

    Every window is kept where a probe is read every two minutes or more seldom.
    """

    def __init__(self, enough):
        self.enough, self.read, self.ring, self.number, self.count = enough, [], {}, 0, 0
        self.chain, self.chain_at, self.bits, self.since_ms, self.until = -1, 0, 0.0, MOVING, 0

    def take(self, at_ms, value):
        if np.isfinite(value) and not (self.read and self.read[-1][1] == value):
            self.read = [*self.read, (at_ms, value)][-20:]
            self.count += 1
            if len(self.read) == 20:
                self._window(tuple(its for _, its in self.read))
        began_ms = self.read[0][0] if len(self.read) == 20 else -1
        return self.since_ms if self.count < self.until else MOVING, self.chain >= 0, began_ms

    def _window(self, window):
        if (number := self.ring.get(window)) is None:
            self.ring[window], self.chain, self.number = self.number, -1, self.number + 1
            if len(self.ring) > 1024:
                del self.ring[next(iter(self.ring))]
            return
        goes_on, stands = self.chain >= 0 and self.chain == number - 1, self.count < self.until
        if not goes_on:
            self.bits, self.since_ms = 0.0, self.since_ms if stands else self.read[0][0]
        self.bits += self._bits(window, self.count - self.chain_at if goes_on else 20)
        self.chain, self.chain_at = number, self.count
        if self.bits >= self.enough or stands:
            self.until = self.count + 40

    def _bits(self, window, newest):
        """Add up by how many last digits the newest readings zigzag, in bits; not where steps come again."""
        steps = [after - before for before, after in pairwise(window)]
        digit, pairs, bits = min(map(abs, steps)), [*pairwise(window)], 0.0
        for place in range(2, len(steps)):
            one, two = (steps[it] - steps[it - 1] for it in (place - 1, place))
            turn = min(abs(one), abs(two)) / digit if one * two < 0 else 0.0
            if turn > 2.5 and pairs[place] not in pairs[:place] and place >= len(steps) - newest:
                bits += np.log2(1.0 + turn)
        return bits


class PlainRests:
    """The same of how long a source rests on a value before it turns back."""

    def __init__(self, every_ms):
        self.every_ms, self.played, self.value, self.since_ms, self.way = every_ms, Plainly(30.0), None, 0, 0

    def take(self, at_ms, value):
        if np.isfinite(value) and value != self.value:
            way = 0 if self.value is None else 1 if value > self.value else -1
            if way * self.way < 0:
                self.played.take(at_ms, float(np.rint((at_ms - self.since_ms) / self.every_ms)))
            self.value, self.since_ms, self.way = value, at_ms, way
        return self.played.since_ms if self.played.count < self.played.until else MOVING


def with_records(draw, size, noise, digit):
    """Noise in which stretches of before are played again, at once or later; some readings are lost."""
    value = np.round((15.0 + noise * draw.normal(size=size)) / digit) * digit
    for _ in range(6):
        length, to = int(draw.integers(15, 130)), int(draw.integers(200, size - 130))
        begins = int(draw.integers(max(0, to - 1300), to - 20))
        value[to : to + length] = value[begins : begins + length]
    value[draw.integers(0, size, 4)] = np.nan
    return value


@pytest.mark.parametrize("number", range(12))
def test_blocks_are_judged_as_reading_by_reading(number):
    draw, every_ms = np.random.default_rng([LOT, 700 + number]), 120_000
    value = with_records(draw, 1600, 0.1, draw.choice([0.01, 0.02, 0.05]))
    at_ms, plain, past, start = every_ms * (1 + np.arange(value.size)), Plainly(20.0), Played(), 0
    expected = [plain.take(*row) for row in zip(at_ms.tolist(), value.tolist(), strict=True)]
    found = []
    while start < value.size:
        part = slice(start, start + int(draw.integers(1, draw.choice([2, 50, 900]))))
        told = played(at_ms[part], value[part], past, every_ms)
        if start:
            assert (told.since_ms[0], told.matched[0], told.began_ms[0]) == found[-1], "what is known before"
        found += zip(*(its[1:].tolist() for its in (told.since_ms, told.matched, told.began_ms)), strict=True)
        start = part.stop
    assert found == expected
    assert (past.count, past.number, past.until, past.bits) == (
        plain.count,
        plain.number,
        plain.until,
        pytest.approx(plain.bits),
    )
    assert any(since_ms != MOVING for since_ms, _, _ in found)


@pytest.mark.parametrize("number", range(12))
def test_rests_are_judged_as_reading_by_reading(number):
    draw, every_ms = np.random.default_rng([LOT, 800 + number]), 60_000
    value = np.round(with_records(draw, 4000, 0.04, 0.001) * 10) / 10
    value[2000:] = value[:2000]
    at_ms, plain, past, start = every_ms * (1 + np.arange(value.size)), PlainRests(every_ms), Rests(), 0
    expected, found = [plain.take(*row) for row in zip(at_ms.tolist(), value.tolist(), strict=True)], []
    while start < value.size:
        part = slice(start, start + int(draw.integers(1, draw.choice([2, 50, 900]))))
        told = rested(at_ms[part], value[part], changes(value[part], past), past, every_ms)
        assert not start or told[0] == found[-1], "what is known before"
        found += told[1:].tolist()
        start = part.stop
    assert found == expected
    assert any(it != MOVING for it in found)


@pytest.mark.parametrize("every_ms", [POLL_MS, 60_000])
def test_where_no_settings_say_how_often_a_probe_is_read_it_is_taken_for_each_half_minute(every_ms):
    draw = np.random.default_rng([LOT, 900])
    value = np.round(with_records(draw, 4000, 0.04, 0.001), 3)
    coarse, at_ms = np.round(value, 1), POLL_MS * (1 + np.arange(value.size))
    known, unknown = Played(), Played()
    played(at_ms, value, known, every_ms)
    played(at_ms, value, unknown, 0)
    assert np.array_equal(known.ring, unknown.ring) is (every_ms == POLL_MS)
    known, unknown = Rests(), Rests()
    rested(at_ms, coarse, changes(coarse, known), known, every_ms)
    rested(at_ms, coarse, changes(coarse, unknown), unknown, 0)
    assert np.array_equal(known.played.ring, unknown.played.ring) is (every_ms == POLL_MS)


def test_of_a_probe_that_is_read_each_half_minute_one_stretch_in_four_is_kept():
    """As many as it changes within two minutes, so that they last for 34 hours."""
    value, past = noisy(np.random.default_rng([LOT, 901]), 4000, 0.02, 0.0), Played()
    judged(value, past)
    assert past.number == pytest.approx(4000 / 4, rel=0.1)
    judged(value[:1000], slow := Played(), every_ms=200_000)
    assert slow.number == 1000 - 19
