"""The pictures in the README, all invented: `python -m tests.rigs.readme_picture` makes them anew."""

from pathlib import Path
from tempfile import TemporaryDirectory

from daemon.commands.cli import main
from tests.rigs.nights.recorded_nights import live, simulated, write_settings
from tests.rigs.page_rack import page_rack, served
from tests.rigs.parts.browser import chromium
from tests.rigs.parts.simulator_process import wait_for
from tests.rigs.places import DEPLOY

PICTURE, PAGE = DEPLOY / "night.png", DEPLOY / "page.png"


def draw(picture):
    """Let the watch take the chiller's night in, and draw its replay."""
    with TemporaryDirectory() as folder:
        settings = write_settings(Path(folder) / "rack.toml")
        journal = live(
            Path(folder) / "night.sqlite", simulated("chiller_night", seed=1), settings, after_ms=0
        )
        return main(["replay", str(journal), "--png", str(picture)])


def draw_page(picture):
    """Let a kreisel of an invented rack warm, and take a picture of the rack's page."""
    drifts = {("k1", "temperature"): (0.9, 5.0)}
    with (
        TemporaryDirectory() as folder,
        page_rack(Path(folder), days=4, drifts=drifts, polls_a_turn=60) as rack,
        served(rack) as address,
        chromium(f"{folder}/browser", device=(1280, 905, 1)) as browser,
    ):
        browser.get(address)
        wait_for(lambda: "rising" in browser.page_source and "trail" in browser.page_source)
        browser.save_screenshot(str(picture))


if __name__ == "__main__":
    draw_page(PAGE)
    raise SystemExit(draw(PICTURE))
