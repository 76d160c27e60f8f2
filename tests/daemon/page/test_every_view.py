"""Every page in every state that it has, by day and by night, on a phone and on a wall.

axe-core (Deque Systems) judges by WCAG 2.1 what a machine can judge of it; how large what is touched must be
stands in WCAG 2.2, success criterion 2.5.8 (24 by 24 CSS pixels), which this version of it does not know.
"""

from itertools import product

import pytest

from tests.daemon.page.test_acts import Person
from tests.daemon.page.test_pages import errors_in, hosts_asked, opened, scrolls_sideways, text_of, violations
from tests.rigs.page_rack import NINE, page_rack, served
from tests.rigs.parts.browser import chromium
from tests.rigs.parts.simulator_process import wait_for

MARKUP = "<b>Kreisel</b> & \"one\" <script>document.title='x'</script>"
RISING = "/alarm/k1/temperature/rising"
VIEWS = {
    "now": ("/", "Not all is watched"),
    "vessel": ("/vessel/k1?span=6h", "Written down and done"),
    "vessel, a year": ("/vessel/k1?span=1y", "alarm"),
    "vessel that is silent": ("/vessel/k3?span=1d", "Hatched: nobody watched"),
    "alarms and measures by week": ("/alarms", "Measures, by week"),
    "alarm": (RISING, "I have seen it"),
    "alarm that does not stand": ("/alarm/k1/salinity/low", "does not stand now"),
    "a sample": ("/write?vessel=k1&kind=bell_diameter", "several at once"),
    "a note": ("/write?vessel=k1&kind=note", "Note"),
    "a hand measurement": ("/write?vessel=k1&kind=hand_measurement", "Instrument"),
    "a correction": ("/write?vessel=k1&kind=feed&corrects={number}", "Corrects entry"),
    "animals and what falls due": ("/animals?due=yes", "What falls due"),
    "team": ("/team", "Who may do what"),
    "sign in": ("/sign-in", "good once"),
    "nothing": ("/nothing", "no such page"),
}
SMALL = """return [...document.querySelectorAll('button, input, select, summary, nav a, .links a')]
.filter(it => it.checkVisibility() && it.type !== 'hidden')
.filter(it => { const box = it.getBoundingClientRect(); return box.width < 24 || box.height < 24; })
.map(it => it.outerHTML.slice(0, 90))"""


@pytest.fixture(scope="module")
def rack(tmp_path_factory):
    """A rack with something amiss, entries with a correction, animals, work, and a name full of markup."""
    drifts = {("k1", "temperature"): (0.9, 5.0)}
    how = {"vessels": NINE[:4], "polls_a_turn": 60, "drifts": drifts, "silent": ("k3",)}
    page = 'acts = true\nroles = { bo = "set up" }'
    with page_rack(tmp_path_factory.mktemp("rack"), days=0.4, page=page, **how) as made:
        vessels = made.settings.vessels
        vessels["k2"] = vessels["k2"].model_copy(update={"label": MARKUP})
        made.ask("log", vessel="k1", what="feed", value=6, note=MARKUP)
        made.ask("begin_maintenance", target="vessel/t1", for_s=2700, why="water change")
        (fed,) = made.journal.inputs.actions("log")
        made.number = made.journal.inputs.last_seq()
        made.ask("culture", what="begin", cohort="e1", vessel="k1", stage="ephyra", value=200)
        assert fed.body["note"] == MARKUP
        with served(made) as address:
            made.address = address
            wait_for(lambda: "feed 6 mL" in opened(f"{address}/vessel/k1"))
            yield made


@pytest.fixture(scope="module")
def screens(rack, tmp_path_factory):
    """A phone and a wall on which bo is signed in."""
    name, _, secret = Person(rack, "bo").cookie.partition("=")
    sizes = {"phone": (390, 844, 2), "wall": (1920, 1080, 1)}
    with (
        chromium(tmp_path_factory.mktemp("phone"), device=sizes["phone"]) as phone,
        chromium(tmp_path_factory.mktemp("wall"), device=sizes["wall"]) as wall,
    ):
        for browser in (phone, wall):
            browser.get(rack.address)
            browser.add_cookie({"name": name, "value": secret, "sameSite": "Strict", "httpOnly": True})
        yield {"phone": phone, "wall": wall}


@pytest.mark.parametrize("view", VIEWS)
def test_it_can_be_used_by_all_by_day_and_night(rack, screens, view):
    path, says = VIEWS[view]
    for (device, browser), scheme in product(screens.items(), ("light", "dark")):
        features = [{"name": "prefers-color-scheme", "value": scheme}]
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})
        errors_in(browser)
        browser.get(rack.address + path.format(number=rack.number))
        browser.execute_script("document.querySelectorAll('details').forEach(it => it.open = true)")
        where = f"{view}, {device}, {scheme}"
        assert says in text_of(browser), where
        assert violations(browser) == [], where
        assert browser.execute_script(SMALL) == [], where
        assert not scrolls_sideways(browser), where
        assert [it for it in errors_in(browser) if view != "nothing"] == [], where
        assert hosts_asked(browser) == {rack.address.removeprefix("http://")}, where
        assert browser.title != "x", where


def test_a_watch_that_is_dead_is_told_so_that_all_can_read_it(rack, screens):
    rack.beats = False
    try:
        for browser in screens.values():
            browser.get(rack.address)
            wait_for(lambda: "Nobody watches" in text_of(browser))  # noqa: B023
            assert violations(browser) == []
    finally:
        rack.beats = True
