"""The text of `rack_now` by property: no line too long, no word cut, nothing that matters left out."""

import dataclasses
import re

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from rich.cells import cell_len

from daemon.commands.rack.lines import plain, shows_utf8, wrapped
from daemon.commands.rack.rack_text import rack_lines
from daemon.view.rack import overall, rack_now
from daemon.view.rack_now import Overall, Reaching, Unwatched, WatchNow, WatchState
from daemon.view.reader import JournalView
from rules.alarms.life_cycle import State
from tests.rigs.examples import examples
from tests.rigs.minute_rack import rack_in

NAMES = st.from_regex(r"[a-z0-9][a-z0-9-]{0,40}", fullmatch=True)
LABELS = st.none() | st.text("abcæ °-水 ", min_size=1, max_size=60).filter(str.strip)
WORDS = st.text("abc ", max_size=80).map(lambda text: " ".join(text.split()))
PRIORITIES = st.sampled_from(["low", "medium", "high", "critical"])


@pytest.fixture(scope="module")
def base(tmp_path_factory):
    """What is now of a rack with an alarm, a silent and a lying probe: of it other racks are drawn."""
    with rack_in(tmp_path_factory.mktemp("rack")) as rack:
        rack.minutes(30)
        rack.minutes(15, k1=24.0, k2=65.16, k3=None)
        return rack_now(JournalView(rack.settings), rack.now_ms + 5000)


@st.composite
def racks(draw, base):
    """A rack of up to 60 vessels in any state, with names and labels of any length."""
    names = draw(st.lists(NAMES, min_size=1, max_size=60, unique=True))
    vessels, alarms = [], []
    for number, name in enumerate(names):
        like = base.vessels[number % 3]
        channels = tuple(
            dataclasses.replace(its, vessel=name, name=its.name.replace(like.name, name, 1))
            for its in like.channels
        )
        lost = tuple(
            Unwatched(quantity, draw(WORDS), None, draw(PRIORITIES))
            for quantity in draw(st.lists(st.sampled_from(["temperature", "salinity"]), unique=True))
        )
        here = dataclasses.replace(like, name=name, label=draw(LABELS), channels=channels, unwatched=lost)
        vessels.append(here)
        for its in draw(st.lists(st.sampled_from(base.alarms), max_size=2, unique_by=lambda it: it.name)):
            held = draw(st.sampled_from([None, "shelf"]))
            alarms.append(
                dataclasses.replace(
                    its,
                    name=f"{name}/{its.condition}",
                    vessel=name,
                    state=draw(st.sampled_from(State)).value,
                    priority=draw(PRIORITIES),
                    held_by=held,
                    leader=None,
                    followers=(),
                    reason=draw(WORDS),
                )
            )
    watch = WatchNow(draw(st.sampled_from(WatchState)), base.made_ms, 3.0)
    how = overall(watch, vessels, alarms)
    return dataclasses.replace(
        base, vessels=tuple(vessels), alarms=tuple(alarms), watch=watch, overall=how, rack_wide=()
    )


@settings(max_examples=examples(60), suppress_health_check=list(HealthCheck), deadline=None)
@given(st.data(), st.integers(60, 200), st.booleans(), st.booleans())
def test_nothing_is_too_long_cut_or_left_out(base, data, width, utf8, alone):
    rack = data.draw(racks(base))
    lines = [line for line, _ in rack_lines(rack, width, utf8=utf8, alone=alone)]
    assert max(map(cell_len, lines)) <= width
    said = " ".join(" ".join(lines).split())
    joined = re.sub(r"/ ", "/", said)  # a name that is longer than a line breaks after its slashes
    whole = said.split()
    for alarm in rack.alarms:
        if alarm.held_by is None or not alone:
            assert f"{alarm.name} " in joined
    for vessel in rack.vessels:
        assert vessel.name in whole, "no word is cut"
        for lost in vessel.unwatched:
            assert re.search(rf"unwatched {re.escape(vessel.name)} [a-z ,]*{lost.quantity}", said)
    assert ("No alarm stands." in said) == (rack.overall is Overall.WELL)
    assert ("NOT WATCHED" in lines[0]) == (rack.watch.state is not WatchState.ALIVE)
    assert utf8 or said.isascii()


@pytest.mark.parametrize(("width", "a_vessel"), [(60, 4), (80, 3), (120, 2), (200, 2)])
def test_thirty_vessels_at_ease_can_be_looked_over(tmp_path, width, a_vessel):
    """Each says its values, where they stand, what moves and how soon it would matter, age and trust."""
    with rack_in(tmp_path) as made:
        made.minutes(30)
        now = rack_now(JournalView(made.settings), made.now_ms + 5000)
    k2 = next(it for it in now.vessels if it.name == "k2")
    moving = dataclasses.replace(
        next(it for it in k2.channels if it.quantity == "temperature"),
        trend_per_hour=0.05,
        trend_tells=True,
        reaching=Reaching("advisory_high", 19.0, now.made_ms + 72 * 3_600_000),
    )
    slow = tuple(moving if it.quantity == "temperature" else it for it in k2.channels)
    thirty = [dataclasses.replace(k2, name=f"k{n}", label=f"Kreisel {n}") for n in range(30)]
    thirty[7] = dataclasses.replace(thirty[7], channels=slow)
    rack = dataclasses.replace(now, vessels=tuple(thirty))
    lines = [line for line, _ in rack_lines(rack, width)]
    first, last = (
        lines.index("k0  Kreisel 0  juvenile, 5 s old, watched"),
        lines.index("Air pressure 1011.0 hPa"),
    )
    assert last - first <= 30 * a_vessel + 1
    said = " ".join(" ".join(lines).split())
    assert said.count("oxygen saturation ") == said.count("salinity ") == 30
    assert len(re.findall(r"temperature 16\.00 °C [░▒█]{11}", said)) == 30
    assert said.count("+0.05/h, 19.00 in 3 d") == 1


@given(st.lists(st.text("abcde/°水", min_size=1, max_size=50), min_size=1, max_size=40), st.integers(60, 200))
def test_a_line_ends_between_words(parts, width):
    lines = list(wrapped(" ".join(parts), width, 4))
    assert max(map(cell_len, lines)) <= width
    assert "".join(" ".join(parts).split()) == "".join("".join(lines).split())
    for part in parts:
        if cell_len(part) <= width - 4:
            assert any(part in line for line in lines)


@pytest.mark.parametrize(
    ("encoding", "environment", "shows"),
    [
        ("utf-8", {"LANG": "C.UTF-8"}, True),
        ("utf-8", {}, True),
        ("utf-8", {"LANG": "C", "LC_CTYPE": "C.UTF-8"}, False),
        ("utf-8", {"LANG": "da_DK.UTF-8", "LC_ALL": "POSIX"}, False),
        ("iso8859-1", {"LANG": "da_DK"}, False),
    ],
)
def test_what_a_terminal_shows(encoding, environment, shows):
    """LANG=C is what Python turns into UTF-8 by PEP 538, whatever the terminal can show."""
    assert shows_utf8(encoding, environment) is shows


def test_every_sign_has_one_that_stands_for_it():
    assert plain("■◆▲· ▨ ░▒█▶ 15.00 ± 0.1 °C") == "#*^. % .-#> 15.00 +/- 0.1 deg C"
