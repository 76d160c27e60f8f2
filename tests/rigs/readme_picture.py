"""The picture in the README, of an invented night: `python -m tests.rigs.readme_picture` makes it anew."""

from pathlib import Path
from tempfile import TemporaryDirectory

from daemon.commands.cli import main
from tests.rigs.nights.recorded_nights import live, simulated, write_settings
from tests.rigs.places import DEPLOY

PICTURE = DEPLOY / "night.png"


def draw(picture):
    """Let the watch take the chiller's night in, and draw its replay."""
    with TemporaryDirectory() as folder:
        settings = write_settings(Path(folder) / "rack.toml")
        journal = live(
            Path(folder) / "night.sqlite", simulated("chiller_night", seed=1), settings, after_ms=0
        )
        return main(["replay", str(journal), "--png", str(picture)])


if __name__ == "__main__":
    raise SystemExit(draw(PICTURE))
