"""The report in a real browser: what it shows, what it answers to, and that it loads nothing."""

import json
import re
from dataclasses import replace
from datetime import UTC, datetime
from io import BytesIO
from itertools import chain, combinations, pairwise
from pathlib import Path
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import axe_core_python
import fontpkg_source_sans_3
import numpy as np
import pytest
from PIL import Image
from resvg_py import svg_to_bytes

from daemon.commands.cli import main
from daemon.replay.replay import Replayed
from daemon.report.html import page
from daemon.report.provenance import of_recording, of_settings
from daemon.report.report import Report, Side
from daemon.report.scale import Scale, limit_steps, round_steps, time_ticks
from daemon.report.slide import HEIGHT, PIXELS_ACROSS, WIDTH, png, slide
from daemon.report.svg import channel_svg, rows_of
from daemon.report.trace import COLUMNS, Trace
from daemon.sources.journal import journal_recording
from daemon.tune.incidents import ACCEPTED, Mark, beside, write_marks
from rules.alarms.episodes import episodes_of
from rules.engine import Engine
from rules.quality.flags import Flag
from rules.quantities import Quantity
from rules.rack.plan import RackPlan
from rules.rack.tolerance import Band, Tolerance
from rules.readings import Action, Amendment, ChannelFlags, Outcome
from rules.tuning.incident import Incident
from tests.rigs.alarm_events import MINUTE_MS, START_MS, Story
from tests.rigs.minute_rack import rack_in
from tests.rigs.nights.known_nights import SETTINGS, known_nights
from tests.rigs.nights.recorded_nights import live, simulated, write_settings
from tests.rigs.parts.browser import chromium
from tests.rigs.parts.simulator_process import wait_for
from tests.rules.test_pieces import ALONE, acted, at_tick, steady

pytestmark = pytest.mark.timeout(600)
"""Whole nights take minutes on a machine that is slow or busy."""

AXE = (Path(axe_core_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
FAILED_MS = 1_786_747_200_000  # 00:40 on 15 August 2026 in Copenhagen, as the scenario says
OTHER = """
[stages.ephyra.temperature]
advisory_high_c = 18.5
max_rise_c_per_hour = 4.0
max_fall_c_per_hour = 4.0
"""


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """A page and a picture of the night the chiller failed, under two settings."""
    folder = tmp_path_factory.mktemp("report")
    settings, other = write_settings(folder / "nursery.toml"), write_settings(folder / "other.toml", OTHER)
    journal = live(
        folder / "night.sqlite",
        simulated("chiller_night", hours=8),
        settings,
        after_ms=60_000,
        turn_ms=300_000,
    )
    marks = [
        Incident(FAILED_MS, FAILED_MS + 180 * MINUTE_MS, "kreisel-4", "chiller failed", True),
        Incident(
            FAILED_MS - 99 * MINUTE_MS, FAILED_MS - 60 * MINUTE_MS, "kreisel-4", "<b>wiped</b> & so", False
        ),
    ]
    write_marks(beside(str(journal)), [Mark(each, ACCEPTED, "truth") for each in marks])
    files = ["--report", str(folder / "night.html"), "--png", str(folder / "night.png")]
    arguments = ["--settings", str(settings), "--against", str(other), *files]
    assert main(["replay", str(journal), *arguments]) == 0
    return folder


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    with chromium(tmp_path_factory.mktemp("browser"), "--window-size=1200,1000") as opened:
        yield opened


def find(browser, selector):
    return browser.find_elements("css selector", selector)


def test_the_page_shows_the_night_and_loads_nothing(night, browser):
    browser.get((night / "night.html").as_uri())
    assert browser.get_log("browser") == []  # neither errors nor refused loads
    assert browser.execute_script("return performance.getEntriesByType('resource').length") == 0
    drawn = [svg.get_attribute("data-channel") for svg in find(browser, "svg.trace")]
    assert "kreisel-4/temperature" in drawn
    picture = find(browser, "svg.trace[data-channel='kreisel-4/temperature']")[0]
    assert picture.size["width"] > 900
    assert picture.size["height"] > 150
    inside = browser.execute_script("return arguments[0].getBBox()", picture)
    assert inside["x"] >= -1
    assert inside["x"] + inside["width"] <= 1001  # nothing is drawn beyond the drawing
    titles = [each.get_attribute("textContent") for each in find(browser, "svg.trace .alarm title")]
    assert any("kreisel-4/temperature/rising (high)" in title for title in titles)
    shapes = {each.text for each in find(browser, "svg.trace .alarm.high text")}
    assert shapes == {"◆"}
    assert [each.text for each in find(browser, "h2")] == [
        "Traces",
        "What differs",
        "Incidents",
        "Alarms",
        "Alarm measures by week",
        "Quality flags",
    ]


def test_words_of_people_stay_words(night, browser):
    """Markup in an incident is text on the page, in the table and in the drawing."""
    browser.get((night / "night.html").as_uri())
    assert find(browser, "td b") == []
    assert any("<b>wiped</b> & so" in cell.text for cell in find(browser, "td"))
    assert any("<b>wiped</b> & so (no call)" in text.text for text in find(browser, "svg.trace text"))


def test_pointing_at_a_trace_reads_it_out(night, browser):
    from selenium.webdriver.common.action_chains import ActionChains

    browser.get((night / "night.html").as_uri())
    picture = find(browser, "svg.trace[data-channel='kreisel-4/temperature']")[0]
    readout = picture.find_element("xpath", "ancestor::figure/p[@class='readout']")
    browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", picture)
    ActionChains(browser).move_to_element(picture).perform()
    found = re.fullmatch(r"15 Aug 2026, 0[01]:\d\d: ([\d.]+)(?: to ([\d.]+))? °C", readout.text)
    assert found, readout.text
    assert 14 < float(found[1]) < 19
    ActionChains(browser).move_to_element_with_offset(picture, -picture.size["width"] // 2 + 5, 0).perform()
    assert readout.text == ""


def test_a_moment_is_read_out_by_keyboard_and_the_drawing_made_larger(night, browser):
    browser.get((night / "night.html").as_uri())
    figure = find(browser, "figure.drawn")[0]
    slider = figure.find_element("css selector", "input")
    slider.send_keys("\ue014" * 5)  # arrow right
    said = figure.find_element("css selector", ".readout").text
    assert re.match(r"1[45] Aug 2026, \d\d:\d\d: ", said)
    assert slider.get_attribute("aria-valuetext") == said
    picture = figure.find_element("css selector", "svg")
    before = picture.size["width"]
    for button in figure.find_elements("css selector", "button")[::-1]:
        button.send_keys("\n")
        assert picture.size["width"] == pytest.approx(
            2 * before if button.get_attribute("value") == "1" else before, abs=2
        )


def test_a_drawing_is_looked_at_closer_by_mouse_keys_wheel_and_fingers(night, browser):
    """What is expected is where mouse and fingers are, of a region that shows all of the drawing at first."""
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.actions.wheel_input import ScrollOrigin

    browser.get((night / "night.html").as_uri())
    region = find(browser, "figure.drawn .wide")[0]
    browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", region)
    left, width = browser.execute_script(
        "const box = arguments[0].getBoundingClientRect(); return [box.left, box.width]", region
    )

    def at(share):
        """A share of the region in the window; what is larger is higher, too, and may have moved it."""
        there = "arguments[0].scrollIntoView(); return arguments[0].getBoundingClientRect().top"
        top = browser.execute_script(there, region)
        return round(left + share * width), round(top + 60)

    def shows(first, last):
        """Wait until the region shows just that part of the drawing."""
        asked = (
            "const it = arguments[0]; return [it.scrollLeft, it.scrollLeft + it.clientWidth, it.scrollWidth]"
        )

        def shown():
            begin, end, whole = browser.execute_script(asked, region)
            return (begin / whole, end / whole) == pytest.approx((first, last), abs=0.02)

        wait_for(shown)

    def touch(kind, *shares):
        points = [dict(zip("xy", at(share), strict=True)) for share in shares]
        browser.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    drag = ActionChains(browser, duration=20)
    pointer = drag.w3c_actions.pointer_action
    pointer.move_to_location(*at(0.25)).pointer_down()
    pointer.move_to_location(*at(0.5)).pointer_up()
    drag.perform()
    shows(0.25, 0.5)
    region.send_keys("-")
    shows(0.125, 0.625)
    region.send_keys("\ue012")  # arrow left
    shows(0, 0.5)
    origin = ScrollOrigin.from_viewport(*at(0.5))
    ActionChains(browser).scroll_from_origin(origin, 0, -240).perform()
    shows(0.125, 0.375)
    touch("touchStart", 0.4, 0.6)
    touch("touchMove", 0.42, 0.58)
    touch("touchMove", 0.45, 0.55)
    touch("touchEnd")
    shows(0, 0.5)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_reads_on_a_phone_by_day_and_night(night, tmp_path, scheme):
    with chromium(tmp_path, device=(390, 844, 2)) as phone:
        features = [{"name": "prefers-color-scheme", "value": scheme}]
        phone.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})
        phone.get((night / "night.html").as_uri())
        assert phone.execute_script("return document.documentElement.scrollWidth") <= 390
        ground = phone.execute_script("return getComputedStyle(document.body).backgroundColor")
        assert (int(ground.removeprefix("rgb(").split(",")[0]) < 100) == (scheme == "dark")
        phone.execute_script(AXE)
        found = phone.execute_async_script("axe.run(document).then(arguments[0])")
        assert [(it["id"], it["nodes"][0]["html"][:200]) for it in found["violations"]] == []


def test_it_says_where_it_comes_from(night):
    text = (night / "night.html").read_text()
    files = r"settings nursery.toml (\w{12}); settings other.toml (\w{12}); record (\w{12})"
    marks = re.search(r"bellwatch [\d.]+, rules \d+; " + files, text)
    assert len({*marks.groups()}) == 3
    assert marks[1] == of_settings((night / "nursery.toml").read_bytes())


def test_what_people_wrote_down_in_that_time_stands_in_it_with_what_was_put_right(tmp_path):
    with rack_in(tmp_path) as rack:
        rack.minutes(5)
        rack.ask("begin_maintenance", target="vessel/k2", for_s=1800, why="new pump")
        rack.ask("log", vessel="k1", what="feed", value=6, note="<b>nauplii</b>")
        first = rack.journal.history.entries("feed")[0].seq
        rack.minutes(5)
        from_ms = rack.now_ms - MINUTE_MS
        rack.ask("log", vessel="k1", what="feed", value=8, corrects=first, who="bo")
        right = rack.journal.history.entries("feed")[-1].seq
        rack.minutes(5)
    journal, file = str(tmp_path / "journal.sqlite"), tmp_path / "report.html"
    command = ["replay", journal, "--settings", str(tmp_path / "bellwatch.toml"), "--report", str(file)]

    def written():
        rows = re.findall(r"<tr>(.*?)</tr>", file.read_text().partition("<h2>Written down</h2>")[2])
        cells = [re.findall(r"<t[dh][^>]*>(.*?)</t[dh]>", row) for row in rows]
        return [its for its in cells if its[2:] and its[2] in ("k1", "k2")]

    assert main(command) == 0
    assert [its[0:1] + its[2:] for its in written()] == [
        [f"{first}", "k1", "ada", "feed", f"6 mL  &lt;b&gt;nauplii&lt;/b&gt;, superseded by {right}"],
        ["-", "k2", "ada", "maintenance", "for 30 min  new pump"],
        [f"{right}", "k1", "bo", "feed", f"8 mL, corrects {first}"],
    ]
    since = datetime.fromtimestamp(from_ms / 1000, UTC).isoformat()
    assert main([*command, "--from", since]) == 0
    assert [its[0] for its in written()] == [f"{right}"]


def in_small_blocks(recording, size=500):
    def parts(item):
        if isinstance(item, Action):
            return [item]
        return (item.part(start, min(start + size, len(item))) for start in range(0, len(item), size))

    return replace(recording, inputs=lambda: chain.from_iterable(map(parts, recording.inputs())))


def test_the_mark_of_a_recording_knows_no_blocks(night):
    recording = journal_recording(night / "night.sqlite")
    marks = set()
    for each in (recording, in_small_blocks(recording)):
        marked, mark = of_recording(each)
        assert sum(1 for _ in marked.inputs())
        marks.add(mark())
    assert len(marks) == 1


def test_a_year_of_alarms_is_counted_and_names_never_lie_on_each_other():
    story = Story()
    for at in range(100):
        story.stands(at * 100, at * 100 + 5, "v/temperature")
    stop_ms = START_MS + 10_000 * MINUTE_MS
    trace = Trace(START_MS, stop_ms)
    trace.channels["v/temperature"] = replace_bands("v")
    trace.channels["v/temperature"].flag[10:60] = Flag.FAIL
    side = Side("a", Replayed(0, 1), trace, tuple(episodes_of(story.events)))
    spans = [(START_MS + at * MINUTE_MS, START_MS + (at + 50) * MINUTE_MS) for at in (0, 100, 200, 9_950)]
    named = [Mark(Incident(*span, "v", "a long name of it", True), ACCEPTED, "truth") for span in spans]
    report = Report("x", UTC, START_MS, stop_ms, (side,), ("v/temperature",), tuple(named))
    root = ElementTree.fromstring(channel_svg(report, "v/temperature"))
    counts = [int(it.text) for it in root.iter("text") if it.get("class") == "count"]
    assert sum(counts) == 100
    assert len(counts) == 53
    names = [it for it in root.iter("text") if it.text == "a long name of it"]
    places = [(float(it.get("x")), float(it.get("y"))) for it in names]
    assert len(set(places)) == 4
    assert all(x + 17 * 6.5 <= 1000 for x, _ in places)
    for (x, y), (other_x, other_y) in combinations(places, 2):
        assert abs(y - other_y) >= 11 or abs(x - other_x) >= 17 * 5
    boxes = [it for it in root.iter("rect") if it.get("class") == "failed"]
    assert len(boxes) == 1  # a run is one box, not fifty marks


def test_tables_are_sorted_by_what_their_cells_mean(night, browser):
    browser.get((night / "night.html").as_uri())
    table = next(
        table for table in find(browser, "table") if "minutes" in table.find_element("tag name", "thead").text
    )

    def column(place):
        return [row.text for row in table.find_elements("css selector", f"tbody td:nth-child({place})")]

    head = table.find_elements("tag name", "th")
    head[5].click()
    minutes = [float(text) for text in column(6)]
    assert minutes == sorted(minutes)
    assert len(set(minutes)) > 2
    head[5].click()
    assert [float(text) for text in column(6)] == sorted(minutes, reverse=True)
    head[2].send_keys("\n")  # by keyboard, and priorities by rank, not by letter
    assert column(3) == sorted(column(3), key=["· low", "▲ medium", "◆ high", "■ critical"].index)


def test_the_tables_say_what_became_of_each_incident(night):
    text = (night / "night.html").read_text()
    row = next(row for row in re.findall(r"<tr>.*?</tr>", text) if "chiller failed</td>" in row)
    waits = [float(minutes) for minutes in re.findall(r">([\d.]+) min<", row)]
    assert len(waits) == 2
    assert 0 < waits[0] < waits[1] < 120  # the other settings page later
    assert "vanishes</td><td>kreisel-4/temperature/rising" in text


def test_the_data_within_the_page_are_json_and_cannot_end_its_script(night):
    text = (night / "night.html").read_text()
    raw = re.search(r'id="data">(.*?)</script>', text, re.DOTALL)[1]
    assert "<" not in raw
    data = json.loads(raw)
    assert data["zone"] == "Europe/Copenhagen"
    assert len(data["channels"]["kreisel-4/temperature"]["low"]) == COLUMNS


def test_a_name_cannot_end_the_script_either():
    """The names in a journal from elsewhere are not ours to trust."""
    trace = Trace(0, COLUMNS)
    trace.channels["v<b>/temperature"] = replace_bands("v")
    side = Side("a", Replayed(0, 1), trace, ())
    text = page(Report("x", UTC, 0, COLUMNS, (side,), tuple(trace.channels)))
    assert "<" not in re.search(r'id="data">(.*?)</script>', text, re.DOTALL)[1]
    assert "<h3>v&lt;b&gt;/temperature</h3>" in text


def test_the_picture_is_a_slide(night):
    picture = np.asarray(Image.open(night / "night.png").convert("RGB"))
    assert picture.shape[:2] == (1080, 1920)
    inked = (picture.min(axis=2) < 0.6 * 255).mean()
    assert 0.002 < inked < 0.2


def eight_channels():
    """A report of more channels than a slide holds, with names of people in them."""
    trace = Trace(0, COLUMNS)
    for number in range(8):
        trace.channels[f"v<{number}>/temperature"] = replace_bands("v")
    return Report("x", UTC, 0, COLUMNS, (Side("a", Replayed(0, 1), trace, ()),), tuple(trace.channels))


def test_the_words_of_a_slide_need_no_font_of_the_machine():
    """A bare Debian has none: with the machine's fonts left out the picture is the same, and has words."""
    arguments = {"width": PIXELS_ACROSS, "font_dirs": [str(fontpkg_source_sans_3.ROOT)]}
    bare = svg_to_bytes(svg_string=slide(eight_channels()), skip_system_fonts=True, **arguments)
    assert png(eight_channels()) == bare
    title = np.asarray(Image.open(BytesIO(bare)).convert("L"))[:60]
    assert (title < 100).mean() > 0.0005


def test_a_slide_holds_the_six_loudest_channels_beside_each_other():
    root = ElementTree.fromstring(slide(eight_channels()))
    cells = root.findall("{*}svg")
    assert [cell[0].get("data-channel") for cell in cells] == [f"v<{n}>/temperature" for n in range(6)]
    places = [[float(cell.get(name)) for name in ("x", "y", "width", "height")] for cell in cells]
    assert {x for x, *_ in places} == {0, WIDTH / 2}
    assert len({y for _, y, *_ in places}) == 3
    assert all(x + width <= WIDTH and y + height <= HEIGHT for x, y, width, height in places)


def test_a_tuning_report_shows_the_trade_off(tmp_path, browser):
    readings, incidents = known_nights(0, 18)
    source = tmp_path / "logger.csv"
    source.write_text("time,c\n" + "".join(f"{r.time_ms},{r.value}\n" for r in readings))
    write_marks(beside(str(source)), [Mark(each, ACCEPTED, "truth") for each in incidents])
    (tmp_path / "known.toml").write_text(SETTINGS)
    path = "stages.ephyra.temperature"
    arguments = ["--column=c=kreisel-4/temperature", "--settings", str(tmp_path / "known.toml")]
    arguments += ["--try", f"{path}.on_delay_s=60,480,21600"]
    arguments += ["--report", str(tmp_path / "tune.html"), "--png", str(tmp_path / "tune.png")]
    assert main(["tune", str(source), *arguments, "--try", f"{path}.critical_on_delay_s=60,480,21600"]) == 0
    browser.get((tmp_path / "tune.html").as_uri())
    assert browser.get_log("browser") == []
    assert find(browser, "svg.trade-off .named")[0].text == "present"
    body = browser.execute_script("return document.body.innerText")
    assert re.search(r"rules \d+; settings known.toml [0-9a-f]{12}; record [0-9a-f]{12}\.", body), body[:400]
    assert "recommended" in [each.text for each in find(browser, "svg.trade-off .named")]
    assert find(browser, "svg.trade-off .trial.missed")  # six hours of delay miss a failure of five
    chosen = find(browser, "tr.chosen")
    assert len(chosen) == 1
    assert "on_delay_s = 480" in chosen[0].text
    assert (tmp_path / "tune.png").stat().st_size > 10_000


def test_a_partial_replay_is_marked_on_the_page(night, monkeypatch, tmp_path):
    import daemon.commands.engineer.replay as command

    real, opened = command.stoppable, command.open_recording
    monkeypatch.setattr(command, "open_recording", lambda *its: in_small_blocks(opened(*its)))

    def stopping():
        manager = real()

        class Stopped:
            def __enter__(self):
                manager.__enter__()
                asked = iter(range(10_000))
                return lambda: next(asked) > 1

            def __exit__(self, *error):
                return manager.__exit__(*error)

        return Stopped()

    monkeypatch.setattr(command, "stoppable", stopping)
    page = tmp_path / "part.html"
    assert main(["replay", str(night / "night.sqlite"), "--report", str(page)]) == 130
    assert "PARTIAL: somebody stopped the replay at 2026-08-1" in page.read_text()


@pytest.mark.parametrize(
    ("wanted", "says"),
    [
        (["--vessel", "k9"], "--vessel k9: not in "),
        (["--from", "2030-01-01T00:00Z"], "--from, --to: nothing in that time; "),
        (["--to", "2019-01-01T00:00Z"], "--from, --to: nothing in that time; "),
    ],
)
def test_a_vessel_or_a_time_that_is_not_in_it_is_refused_and_no_empty_page_made(night, capsys, wanted, says):
    assert main(["replay", str(night / "night.sqlite"), "--report", str(night / "none.html"), *wanted]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith(says)
    assert not (night / "none.html").exists()


@pytest.mark.parametrize("wanted", [("--vessel", "k4"), ("--from", "2026-08-15"), ("--incidents", "x.csv")])
def test_what_only_a_report_shows_is_refused_without_one(night, capsys, wanted):
    assert main(["replay", str(night / "night.sqlite"), *wanted]) == 2
    assert "add --report FILE or --png FILE" in capsys.readouterr().err


def test_a_time_without_an_offset_is_refused(night, capsys):
    page = ["--report", str(night / "x.html"), "--from", "2026-08-15T00:00"]
    assert main(["replay", str(night / "night.sqlite"), *page]) == 2
    assert "expected ISO 8601 with its offset" in capsys.readouterr().err


# The parts


def test_a_trace_loses_no_spike_and_does_not_depend_on_blocks(night):
    recording = journal_recording(night / "night.sqlite")
    whole, cut = (Trace(recording.start_ms, recording.end_ms) for _ in range(2))
    from daemon.replay.replay import replay

    replay(recording, [None], observers=[whole.observe])
    replay(in_small_blocks(recording), [None], observers=[cut.observe])
    for channel, trace in whole.channels.items():
        assert np.array_equal(trace.low, cut.channels[channel].low, equal_nan=True)
        assert np.array_equal(trace.high, cut.channels[channel].high, equal_nan=True)
        assert np.array_equal(trace.flag, cut.channels[channel].flag)
        assert [band for _, band in trace.bands] == [band for _, band in cut.channels[channel].bands]
    highest = np.nanmax(whole.channels["kreisel-4/temperature"].high)
    source = {key: number for number, key in recording.sources.items()}[
        ("kreisel-4-ct", "temperature", "kreisel-4")
    ]
    values = [i.value[i.source == source] for i in recording.inputs() if hasattr(i, "source")]
    assert highest == max(value.max() for value in values if value.size)


def test_columns_hold_the_least_and_the_greatest_value_and_the_worst_flag():
    trace = Trace(0, 1000 * COLUMNS)
    trace.channels["v/temperature"] = replace_bands("v")
    times = np.array([-5, 10, 20, 30, 999, 2500, 10**9])
    values = np.array([99.0, 1.0, np.nan, 3.0, 2.0, 7.0, 99.0])
    flags = np.array([4, 1, 9, 3, 1, 1, 4], dtype=np.uint8)
    block = ChannelFlags("v/temperature", times, times, values, flags, np.zeros(7, dtype=np.uint32))

    engine = Engine(RackPlan("v", (), {}, {}, {}), 10**9)
    trace.observe(engine, Outcome(flags=[block]))
    found = trace.channels["v/temperature"]
    assert (found.low[0], found.high[0], found.flag[0]) == (1.0, 3.0, 9)
    assert np.isnan(found.low[1])
    assert (found.low[2], found.high[2], found.flag[2]) == (7.0, 7.0, 0)
    assert np.nansum(found.high) == 10.0


def test_a_flag_that_is_known_with_the_next_reading_is_drawn_at_its_own():
    trace = Trace(0, 1000 * COLUMNS)
    engine = Engine(RackPlan("v", (), {}, {}, {}), 10**9)
    trace.channels["v/temperature"] = replace_bands("v")
    times, tests = np.array([100, 2500]), np.zeros(2, dtype=np.uint32)
    block = ChannelFlags("v/temperature", times, times, times / 1e3, np.ones(2, dtype=np.uint8), tests)
    trace.observe(engine, Outcome(flags=[block]))
    late = Amendment("v/temperature", 2500, int(Flag.SUSPECT), 0)
    after = replace(block, seq=times + 9000, time_ms=times + 9000)
    trace.observe(engine, Outcome(flags=[after], amendments=[late, replace(late, seq=100)]))
    drawn = np.flatnonzero(trace.channels["v/temperature"].flag)
    assert drawn.tolist() == [2], "not at one that was not the last of its block"
    trace.observe(engine, Outcome(flags=[], amendments=[replace(late, seq=11500, summary=int(Flag.FAIL))]))
    assert trace.channels["v/temperature"].flag[[2, 11]].tolist() == [Flag.SUSPECT, Flag.FAIL]


def replace_bands(vessel):
    from daemon.report.trace import ChannelTrace

    return replace(ChannelTrace(vessel), bands=[])


def test_bands_are_stepped_as_they_were():
    narrow, wide = Tolerance(advisory=Band(12, 18)), Tolerance(advisory=Band(None, 20))
    bands = [(0, narrow), (50, None), (70, wide)]
    assert list(limit_steps(bands, "advisory", "high", 100)) == [(0, 50, 18), (70, 100, 20)]
    assert list(limit_steps(bands, "advisory", "low", 100)) == [(0, 50, 12)]
    assert list(limit_steps([], "advisory", "low", 100)) == []


def test_bands_stand_within_the_time_that_is_drawn():
    """A day comes at once, with moves before, in and after the hours that somebody asked to see."""
    readings = steady(100)
    polyp, ephyra = ({"vessel": "kreisel-1", "stage": stage} for stage in ("polyp", "ephyra"))
    moves = [(10, polyp), (40, ephyra), (80, polyp)]
    acts = acted(readings, *((at_tick(readings, tick), 0, "move_stage", body) for tick, body in moves))
    engine, (start, moved, stop) = (
        Engine(ALONE, int(readings.at_ms[0])),
        (int(readings.at_ms[at_tick(readings, tick)]) for tick in (30, 40, 60)),
    )
    trace = Trace(start, stop)
    trace.observe(engine, engine.feed(replace(readings, acts=tuple(acts))))
    bands = trace.channels["kreisel-1/temperature"].bands
    critical = [ALONE.tolerances[stage][Quantity.TEMPERATURE].critical for stage in ("polyp", "ephyra")]
    assert [(at_ms, its.critical) for at_ms, its in bands] == list(zip([start, moved], critical, strict=True))


def test_alarms_that_overlap_stand_in_rows_of_their_own():
    story = Story().stands(0, 10, "a/temperature").stands(11, 30, "a/temperature")
    story.stands(5, 8, "a/temperature", "rising").stands(9, 20, "a/temperature", "falling")
    rows = rows_of(episodes_of(story.events), START_MS + 100 * MINUTE_MS)
    assert [len(row) for row in rows] == [2, 2]
    for row in rows:
        for one, other in pairwise(row):
            assert one.end_ms < other.start_ms


def test_ticks_are_round_where_the_rack_stands():
    """Midnight in Copenhagen on the night the clocks go back (25 October 2026, IANA): a day of 25 hours."""
    zone = ZoneInfo("Europe/Copenhagen")
    start = 1_792_792_800_000  # 2026-10-24 00:00 +02:00
    ticks = time_ticks(start, start + 5 * 86_400_000, zone)
    days = [at_ms for at_ms, words in ticks if words.endswith("Oct")]
    assert [(b - a) / 3_600_000 for a, b in pairwise(days)][:3] == [24, 25, 24]
    assert round_steps(14.2, 18.9) == [15.0, 16.0, 17.0, 18.0]
    assert round_steps(0, 0.031) == [0.0, 0.01, 0.02, 0.03]
    assert Scale(0, 10, 100, 0).clipped(20) == 0
