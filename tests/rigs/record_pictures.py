"""Pictures of handover and report, invented: `python -m tests.rigs.record_pictures` draws them."""

import base64
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

from daemon.commands.cli import main as bellwatch
from tests.rigs.page_pictures import DEVICES, PICTURES, whole
from tests.rigs.page_rack import page_rack
from tests.rigs.parts.browser import chromium

AMISS = {("k1", "temperature"): (0.9, 20.0), ("t1", "oxygen_saturation"): (-3.0, 22.0)}


def written(folder):
    """Write a night, a month and a report of an invented rack; return their files."""
    with page_rack(folder, days=3, drifts=AMISS, silent=("k3",), polls_a_turn=60) as rack:
        rack.ask("log", vessel="k1", what="feed", value=6, note="nauplii")
        rack.ask("log", vessel="k1", what="bell_diameter", value=12, n=20, low=9, high=14)
        rack.ask("acknowledge", who="bo", alarm="k1/temperature/rising")
        settings = ["--settings", str(rack.file)]
        files = {name: folder / f"{name}.html" for name in ("night", "month", "report")}
        bellwatch(["handover", str(files["night"]), *settings])
        bellwatch(["handover", str(files["month"]), "--month", time.strftime("%Y-%m"), *settings])
        journal = str(rack.settings.journal.path)
        bellwatch(["replay", journal, *settings, "--report", str(files["report"])])
    return files


def main():
    """Draw each on every device, light and dark, and as it prints."""
    folder = PICTURES / "record"
    folder.mkdir(parents=True, exist_ok=True)
    with TemporaryDirectory() as work:
        for name, file in written(Path(work)).items():
            for device, size in DEVICES.items():
                with chromium(Path(work) / device, device=size) as browser:
                    for scheme in ("light", "dark"):
                        features = [{"name": "prefers-color-scheme", "value": scheme}]
                        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})
                        browser.get(file.as_uri())
                        (folder / f"{name}-{device}-{scheme}.png").write_bytes(whole(browser))
                    printed = browser.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True})["data"]
            (folder / f"{name}.pdf").write_bytes(base64.b64decode(printed))
    print(folder, file=sys.stderr)


if __name__ == "__main__":
    main()
