"""Pictures of every page, all invented: `python -m tests.rigs.page_pictures` fills .bellwatch/pictures."""

import base64
import time
from pathlib import Path
from tempfile import TemporaryDirectory

from daemon.broker.noted import ONCALL, OnCallHeard
from daemon.page.people import devices_of
from rules.culture.acts import What
from rules.rack.logbook import sample_of
from tests.rigs.page_rack import DAY_MS, NINE, page_rack, served
from tests.rigs.parts.browser import chromium
from tests.rigs.places import ROOT

PICTURES = ROOT / ".bellwatch" / "pictures"
DEVICES = {
    "phone": (390, 844, 2),
    "tablet": (820, 1180, 1),
    "desk": (1280, 1100, 1),
    "wall": (1920, 1080, 1),
}
VIEWS = {
    **{
        "now": "/",
        "vessel": "/vessel/k1",
        "year": "/vessel/k1?span=1y",
        "week": "/vessel/k1?span=1w",
        "alarms": "/alarms",
    },
    **{"alarm": "/alarm/k1/temperature/rising", "write": "/write?vessel=k1&kind=bell_diameter"},
    **{"animals": "/animals?due=yes", "team": "/team", "sign-in": "/sign-in"},
}
ACTS = 'acts = true\nroles = { bo = "set up", cy = "look" }'
BATCHES = (
    ("begin", {"cohort": "e1", "vessel": "k1", "stage": "ephyra", "lineage": "coerulea", "value": 200}),
    ("move", {"cohort": "e1", "vessel": "k1", "to": "k2", "value": 40}),
    ("bell_diameter", {"cohort": "e1", "vessel": "k2", **sample_of([8.1, 9.2, 7.7, 8.8, 8.4])}),
    ("died", {"cohort": "e1", "vessel": "k2", "value": 1, "cause": "bubble in the bell"}),
    ("begin", {"cohort": "pier-2026", "vessel": "t1", "stage": "polyp", "value": 310, "how": "guessed"}),
    ("count", {"cohort": "pier-2026", "vessel": "t1", "values": [61, 58, 66], "fraction": 0.2}),
    ("begin", {"cohort": "p7", "vessel": "d1", "stage": "planula", "value": 500, "how": "guessed"}),
)
AMISS = {"k1/temperature": (0.9, 5.0), "t1/oxygen_saturation": (-9.0, 1.5), "d1/temperature": (0.3, 8.0)}


def whole(browser):
    """Return a picture of all of the page, also of what is below the window."""
    height = browser.execute_script("return Math.max(document.documentElement.scrollHeight, innerHeight)")
    width = browser.execute_script("return innerWidth")
    clip = {"x": 0, "y": 0, "width": width, "height": height, "scale": 1}
    how = {"captureBeyondViewport": True, "clip": clip}
    return base64.b64decode(browser.execute_cdp_cmd("Page.captureScreenshot", how)["data"])


def draw(folder, work, amiss=None):
    """Draw every view on every device, light and dark."""
    drifts = {tuple(name.split("/")): drift for name, drift in (amiss or {}).items()}
    how = {"drifts": drifts, "silent": ("k3",) if amiss else (), "page": ACTS}
    with page_rack(work, vessels=NINE, days=4, polls_a_turn=60, **how) as rack:
        if amiss:
            rack.ask("log", vessel="k1", what="feed", note="nauplii", value=6)
            rack.ask("acknowledge", who="bo", alarm="t1/oxygen_saturation/falling")
            rack.ask("begin_maintenance", target="vessel/t3", for_s=2700, why="water change")
            for what, body in BATCHES:
                rack.ask("culture" if what in list(What) else "log", what=what, **body)
            duty = {"on_call": "bo", "until_ms": rack.now_ms + 3 * DAY_MS, "then": "cy"}
            with rack.journal.transaction():
                heard = OnCallHeard("desk on desk-pi", True, rack.start_ms, **duty)
                rack.journal.state.keep_record(ONCALL, heard)
        with served(rack) as address:
            time.sleep(5)
            devices, now_ms = devices_of(rack.settings), int(time.time() * 1000)
            secret = devices.pair(devices.new_code("bo", now_ms), now_ms, "127.0.0.1")
            for device, size in DEVICES.items():
                with chromium(work / device, device=size) as browser:
                    browser.get(address)
                    browser.add_cookie({"name": "bellwatch", "value": secret})
                    for view, path in VIEWS.items():
                        for scheme in ("light", "dark"):
                            features = [{"name": "prefers-color-scheme", "value": scheme}]
                            browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})
                            browser.get(address + path)
                            (folder / f"{view}-{device}-{scheme}.png").write_bytes(whole(browser))


def main():
    """Draw a rack with something amiss, and a calm one beside it."""
    for name, amiss in (("amiss", AMISS), ("calm", None)):
        folder = PICTURES / name
        folder.mkdir(parents=True, exist_ok=True)
        with TemporaryDirectory() as work:
            draw(folder, Path(work), amiss)


if __name__ == "__main__":
    main()
