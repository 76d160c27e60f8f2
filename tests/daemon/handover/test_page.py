"""The handover in a real browser: one page of paper, a phone, the dark, a keyboard, nothing loaded."""

import base64
import time
from pathlib import Path

import axe_core_python
import pytest

from daemon.commands.cli import main
from tests.rigs.page_rack import page_rack
from tests.rigs.parts.browser import chromium

AXE = (Path(axe_core_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
AMISS = {("k1", "temperature"): (0.9, 20.0), ("t1", "oxygen_saturation"): (-9.0, 22.0)}


@pytest.fixture(scope="module")
def at_noon():
    """Whenever the tests run: how much of a night there is to tell hangs on the hour."""
    clock, now_s = time.time, time.time()
    ahead_s = 43_200 - now_s % 86_400
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(time, "time", lambda: clock() + ahead_s)
        yield


@pytest.fixture(scope="module")
def folder(tmp_path_factory, at_noon):
    made = tmp_path_factory.mktemp("handover")
    with page_rack(made, days=1.5, drifts=AMISS, silent=("k3",), polls_a_turn=60) as rack:
        rack.ask("log", vessel="k1", what="feed", value=6, note="nauplii")
        rack.ask("acknowledge", who="bo", alarm="k1/temperature/rising")
        assert main(["handover", str(made / "night.html"), "--settings", str(rack.file)]) == 0
    return made


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    with chromium(tmp_path_factory.mktemp("browser"), device=(390, 844, 2)) as opened:
        yield opened


def open_in(browser, folder, scheme):
    features = [{"name": "prefers-color-scheme", "value": scheme}]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})
    browser.get((folder / "night.html").as_uri())


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_reads_on_a_phone_by_day_and_night(folder, browser, scheme):
    open_in(browser, folder, scheme)
    assert browser.execute_script("return document.documentElement.scrollWidth") <= 390
    ground = browser.execute_script("return getComputedStyle(document.body).backgroundColor")
    assert (int(ground.removeprefix("rgb(").split(",")[0]) < 100) == (scheme == "dark")
    browser.execute_script(AXE)
    found = browser.execute_async_script("axe.run(document).then(arguments[0])")
    assert [it["id"] for it in found["violations"]] == []
    assert browser.get_log("browser") == []
    assert browser.execute_script("return performance.getEntriesByType('resource').length") == 0


def test_a_night_is_one_sheet_of_paper(folder, browser):
    open_in(browser, folder, "dark")
    printed = browser.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True})["data"]
    pdf = base64.b64decode(printed)
    assert pdf.startswith(b"%PDF")
    assert pdf.count(b"/Type /Page\n") == 1
    assert b"/MediaBox [0 0 594.95996 841.91998]" in pdf or b"/MediaBox [0 0 595" in pdf


def test_wide_tables_are_scrolled_by_keyboard(folder, browser):
    open_in(browser, folder, "light")
    wide = browser.find_elements("css selector", ".wide")
    assert wide
    assert all(it.get_attribute("tabindex") == "0" for it in wide)
