"""The rack's page in a real browser, over a journal that the real watch writes while it is looked at.

The rack is invented. axe-core (Deque Systems) judges by WCAG 2.2 what a machine can judge of it.
"""

import re
import threading
import time
import urllib.request
from pathlib import Path
from urllib.parse import urlsplit

import axe_core_python
import pytest

from daemon.commands.cli import main
from daemon.journal.journal import Journal
from daemon.journal.sole_writer import SoleWriter
from daemon.page.axis import LEFT, RIGHT
from daemon.page.pages import RackPages
from daemon.view import reader
from daemon.web.server import HEADERS_WITH_SCRIPTS, Request
from drivers.readings import Reading
from tests.rigs.nights.recorded_nights import quiet
from tests.rigs.page_rack import MINUTE_MS, page_rack, served
from tests.rigs.parts.browser import chromium
from tests.rigs.parts.simulator_process import wait_for

AXE = (Path(axe_core_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
PHONE = (390, 844, 2)
SIXTY = tuple((f"{'ktd'[n % 3]}{n}", ("kreisel", "tray", "dish")[n % 3], "ephyra") for n in range(60))


@pytest.fixture(scope="module")
def calm(tmp_path_factory):
    """A rack at which nothing is wrong, and the address of its page."""
    with page_rack(tmp_path_factory.mktemp("calm"), days=0.1) as rack, served(rack) as address:
        yield rack, address


@pytest.fixture(scope="module")
def window(tmp_path_factory):
    with chromium(tmp_path_factory.mktemp("wide"), device=(1280, 900, 1)) as opened:
        yield opened


@pytest.fixture(scope="module")
def phone(tmp_path_factory):
    with chromium(tmp_path_factory.mktemp("phone"), device=PHONE) as opened:
        yield opened


def text_of(browser):
    return browser.execute_script("return document.body.innerText")  # at once: elements come and go


def count(browser, selector):
    return browser.execute_script("return document.querySelectorAll(arguments[0]).length", selector)


def errors_in(browser):
    """What a browser complains of, but for pages before this one, whose server is gone."""
    gone = re.compile(
        r"http://127\.0\.0\.1:(\d+)/events\S* - Failed to load resource: net::ERR_CONNECTION_REFUSED"
    )
    said = [entry["message"] for entry in browser.get_log("browser")]
    return [it for it in said if not (was := gone.match(it)) or f":{was[1]}/" in browser.current_url]


def violations(browser):
    browser.execute_script(AXE)
    found = browser.execute_async_script("axe.run(document).then(arguments[0])")
    return [(it["id"], it["nodes"][0]["html"][:120]) for it in found["violations"]]


def hosts_asked(browser):
    """The hosts of everything that a page has loaded."""
    loaded = browser.execute_script("return performance.getEntriesByType('resource').map(it => it.name)")
    return {urlsplit(address).netloc for address in (*loaded, browser.current_url)}


def rects(browser):
    """Where each vessel stands in the window."""
    return browser.execute_script(
        "return Object.fromEntries([...document.querySelectorAll('.vessel')]"
        ".map(it => [it.id.slice(2), it.getBoundingClientRect().toJSON()]))"
    )


def scrolls_sideways(browser):
    return browser.execute_script("return document.documentElement.scrollWidth > innerWidth")


def test_a_calm_rack_says_that_nothing_stands_and_asks_no_other_host(calm, window):
    _, address = calm
    window.get(address)
    assert "No alarm. All that the stages ask for is watched." in text_of(window)
    assert [count(window, what) for what in (".vessel", ".mark", ".pri")] == [9, 27, 0]
    assert hosts_asked(window) == {address.removeprefix("http://")}
    assert errors_in(window) == []
    assert violations(window) == []


def test_vessels_stand_as_on_their_shelves_and_worst_first_on_a_phone(calm, window, phone):
    rack, address = calm
    window.get(address)
    places = rects(window)
    for names in rack.settings.page.shelves:
        assert len({places[name]["y"] for name in names}) == 1
        assert [places[name]["x"] for name in names] == sorted(places[name]["x"] for name in names)
    phone.get(address)
    assert not scrolls_sideways(phone)
    assert len({place["x"] for place in rects(phone).values()}) == 1
    assert violations(phone) == []


def test_it_can_be_read_without_scripts(calm, tmp_path):
    _, address = calm
    with chromium(tmp_path, device=PHONE) as browser:
        browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
        browser.get(address)
        source = browser.page_source
        assert "No alarm." in source
        assert '<meta http-equiv="refresh" content="30">' in source


def test_everything_carries_the_headers_and_can_be_installed(calm):
    _, address = calm
    for path, kind in (
        ("/", "text/html"),
        ("/rack.js", "text/javascript"),
        ("/manifest.webmanifest", "application/manifest+json"),
        ("/icon.svg", "image/svg+xml"),
    ):
        with urllib.request.urlopen(address + path) as answer:
            assert {name: answer.headers[name] for name in HEADERS_WITH_SCRIPTS} == HEADERS_WITH_SCRIPTS
            assert answer.headers["Content-Type"].startswith(kind)


def test_an_alarm_comes_up_by_itself_and_goes_as_it_is_seen(tmp_path, phone):
    with page_rack(tmp_path, days=0.1) as rack, served(rack) as address:
        phone.get(address)
        assert "No alarm." in text_of(phone)
        for minute in range(1, 8):
            at_ms = rack.now_ms + minute * MINUTE_MS
            rack.watch.take([Reading("k2-multi", "temperature", 26.0 + minute / 100, at_ms)], at_ms)
        wait_for(lambda: "Temperature high" in text_of(phone))
        assert "No alarm." not in text_of(phone)
        assert phone.execute_script("return document.querySelector('.vessel').id") == "v-k2"
        rack.at_ms = at_ms
        rack.ask("acknowledge", who="bo", alarm="k2/temperature/high")
        wait_for(lambda: "Seen by bo" in text_of(phone))
        assert errors_in(phone) == []


def test_a_screen_sounds_once_it_is_told_to_while_nobody_has_seen_it_or_the_watch_is_lost(tmp_path, window):
    def rung():
        return int(window.execute_script("return document.getElementById('bell').dataset.rung || 0"))

    with page_rack(tmp_path, days=0.3, drifts={("k1", "temperature"): (0.9, 5.0)}) as rack:
        with served(rack) as address:
            window.get(address)
            wait_for(lambda: "Nobody has seen it yet" in text_of(window))
            time.sleep(4.5)  # it sounds every four
            assert "Sound here: off" in text_of(window)
            assert "It is no local alarm" in text_of(window)
            assert rung() == 0, "off until somebody switched it on"
            window.find_element("css selector", "#bell button").click()
            wait_for(lambda: rung() >= 2)
            assert "Sound here: on" in text_of(window)
            rack.ask("acknowledge", alarm="k1/temperature/rising")
            wait_for(lambda: "Seen by ada" in text_of(window))
            quiet_at = rung()
            time.sleep(4.5)
            assert rung() == quiet_at, "seen"
        wait_for(lambda: rung() > quiet_at)  # the page's server is gone
        window.find_element("css selector", "#bell button").click()
        assert "Sound here: off" in text_of(window)


def test_a_watch_that_is_killed_or_hangs_is_told_first_and_a_server_that_is_gone_too(
    tmp_path, window, monkeypatch
):
    monkeypatch.setattr("daemon.view.rack.HUNG_AFTER_S", 4.0)
    with page_rack(tmp_path, days=0.05) as rack:
        with served(rack) as address:
            window.get(address)
            assert "No alarm." in text_of(window)
            rack.beats = False
            wait_for(lambda: "`bellwatch run` hangs" in text_of(window))
            assert "No alarm" not in text_of(window)
            window.refresh()
            assert "Nobody watches: `bellwatch run` hangs" in text_of(window)
            assert count(window, ".blind") == 27, "what nobody watches is hatched"
            rack.beats = True
            wait_for(lambda: "No alarm." in text_of(window))
            assert count(window, ".blind") == 0
        wait_for(lambda: "The server of this page is not heard" in text_of(window))


def test_sixty_vessels_and_a_hundred_viewers_cost_one_reading(tmp_path, window, phone):
    with page_rack(tmp_path, vessels=SIXTY, across=6, days=0.02) as rack, served(rack) as address:
        viewers = [urllib.request.urlopen(f"{address}/events") for _ in range(90)]
        began = time.monotonic()
        window.get(address)
        assert count(window, ".vessel") == 60
        assert time.monotonic() - began < 20
        phone.get(address)
        assert not scrolls_sideways(phone)
        for viewer in viewers:
            assert viewer.read(20)
            viewer.close()
        assert [it for it in errors_in(window) if "rack.js" in it] == []


@pytest.fixture(scope="module")
def lively(tmp_path_factory):
    """A rack with something amiss: a kreisel that warms, a pseudokreisel whose probe fell silent."""
    drifts = {("k1", "temperature"): (0.9, 5.0)}
    folder = tmp_path_factory.mktemp("lively")
    with page_rack(folder, days=0.4, drifts=drifts, silent=("k3",)) as rack, served(rack) as address:
        rack.ask("log", who="ada", vessel="k1", what="feed", note="nauplii", value=6)
        rack.ask("acknowledge", who="bo", alarm="k1/temperature/rising")
        for done in ("feed 6 mL  nauplii (ada)", "seen by bo"):
            wait_for(lambda: done in opened(f"{address}/vessel/k1"))  # noqa: B023
        yield rack, address


def opened(address):
    with urllib.request.urlopen(address) as answer:
        return answer.read().decode()


def test_a_vessel_shows_all_that_happened_to_it_on_one_axis_and_reads_it_out(lively, window, phone):
    _, address = lively
    for browser in (window, phone):
        browser.get(f"{address}/vessel/k1?span=6h")
        assert [count(browser, what) for what in (".trace", ".inner", ".bar.high", ".seen")] == [3, 6, 1, 1]
        assert "seen by bo" in text_of(browser)
        assert "feed 6 mL nauplii (ada)" in text_of(browser)
        slider = browser.find_element("css selector", "input")
        slider.send_keys("\ue012")  # one to the left, by the keyboard
        said = browser.execute_script("return document.querySelector('output').textContent")
        assert re.search(r"temperature 1\d\.\d\d.*, within 10.00 to 25.00 · salinity", said)
        assert not scrolls_sideways(browser)
        assert errors_in(browser) == []
        assert violations(browser) == []


def test_what_nobody_watched_is_hatched_and_what_was_before_the_journal_is_left_empty(lively):
    _, address = lively
    hatched = re.findall(r'class="hatch" x="([0-9.]+)"', opened(f"{address}/vessel/k3?span=6h"))
    assert len(hatched) == 3, "the end of three traces"
    assert float(hatched[0]) == pytest.approx(LEFT + (RIGHT - LEFT) / 6, abs=5), "five hours of six"
    assert opened(f"{address}/vessel/k1?span=1w").count('class="hatch" x=') == 0
    assert "known since" in opened(f"{address}/vessel/k1?span=5y").lower()


@pytest.mark.parametrize("asked", ["span=1y&to=0", "span=nonsense", "to=-5", "to=" + "9" * 30, "page=x"])
def test_whatever_the_address_says_there_is_a_page(lively, asked):
    _, address = lively
    assert "temperature" in opened(f"{address}/vessel/k1?{asked}")


def test_alarms_show_what_stands_and_what_was_with_who_answered(lively, window, phone):
    _, address = lively
    for browser in (window, phone):
        browser.get(f"{address}/alarms")
        text = text_of(browser)
        assert "Temperature rising" in text
        assert re.search(r"seen by bo after \d h", text)
        assert "nobody saw it" in text
        assert not scrolls_sideways(browser)
        assert violations(browser) == []


@pytest.mark.timeout(600)
def test_a_year_with_a_thousand_alarms_is_there_at_once(tmp_path, window, phone):
    one, swings = (("k1", "kreisel", "ephyra"),), {("k1", "temperature"): 11.5}
    hourly = {"every_ms": 60 * MINUTE_MS, "polls_a_turn": 240}
    year = page_rack(tmp_path, vessels=one, across=1, days=365, swings=swings, **hourly)
    with year as rack, served(rack) as address:
        wait_for(lambda: "being read" not in opened(f"{address}/alarms"), 90)
        assert re.search(r"\d{4} alarms since", opened(f"{address}/alarms"))
        began = time.monotonic()
        window.get(f"{address}/vessel/k1?span=1y")
        assert time.monotonic() - began < 5
        assert count(window, ".trace") == 3
        assert violations(window) == []
        phone.get(f"{address}/alarms?page=3")
        assert count(phone, ".past tbody tr") == 50
        assert not scrolls_sideways(phone)
        assert "newer" in text_of(phone)


def test_pages_are_there_before_the_journal_is_read_and_say_how_far_that_is(tmp_path):
    with page_rack(tmp_path, days=0.02) as rack:
        stop = threading.Event()
        pages = RackPages(rack.settings, stop)
        for path in ("/", "/vessel/k1", "/alarms"):
            page = pages(Request(path, {}, acts=False))
            assert page.status == 200
            assert "reading the journal, 0 %" in page.html
            assert "No alarm." not in page.html
        pages.pulse.start()
        wait_for(lambda: pages.pulse.newest.number >= 0)
        rack.sole_writer.beat()
        wait_for(lambda: "No alarm." in pages(Request("/", {}, acts=False)).html)
        wait_for(lambda: "is being read" not in pages(Request("/vessel/k1", {}, acts=False)).html)
        stop.set()


def test_a_restored_journal_takes_the_place_of_the_one_before(tmp_path):
    with page_rack(tmp_path, days=0.1) as rack, served(rack) as address:
        ours = ["--settings", str(rack.file)]
        assert main(["backup", str(tmp_path / "copies"), *ours]) == 0
        rack.ask("log", vessel="k1", what="feed", value=6)
        wait_for(lambda: "feed 6" in opened(f"{address}/vessel/k1"))
        rack.beats = False
        time.sleep(1)  # so does whoever lets it beat
        rack.journal.close()
        rack.sole_writer.release()
        (copy,) = (tmp_path / "copies").glob("*.sqlite")
        assert main(["restore", str(copy), *ours]) == 0
        quiet()
        path = rack.settings.journal.path
        rack.sole_writer, rack.journal = SoleWriter(path), Journal(path, writable=True)
        wait_for(lambda: "feed 6" not in opened(f"{address}/vessel/k1"))
        wait_for(lambda: "being read" not in opened(f"{address}/vessel/k1"))
        assert 'class="trace"' in opened(f"{address}/vessel/k1?span=6h")


def test_a_full_disk_is_told_first(tmp_path, monkeypatch):
    monkeypatch.setattr(reader, "BALLAST_BYTES", 2**62)
    with page_rack(tmp_path, days=0.02) as rack, served(rack) as address:
        text = opened(address)
        assert "THE DISK IS FULL: nothing new can be written down; make room." in text
        assert "No alarm." not in text
