"""Who answers on a bus, address by address; not while the watch reads it."""

from collections.abc import Iterator, Mapping

from daemon.buses.shape import BusSettings, ProbeSettings
from daemon.commands.going_live.live import Live
from daemon.errors import RequestError
from drivers.readings import Trouble

SILENT, ANSWERS = "-", "answers"
SCANNED_AT_FIRST = 32
_PATIENCE_S = 2.0
_WORDS = {"timeout": SILENT, "garbled": "garbled: two at once?"}


def who_answers(
    bus: str, quick: BusSettings, probes: Mapping[str, ProbeSettings]
) -> Iterator[tuple[str, str]]:
    """Yield each address with what came of it, as it comes; RequestError where the port cannot be used.

    `quick` and `probes` are what the bus `to_scan` gives.
    """
    left = set(probes)
    with Live({bus: quick}, probes) as live:
        for said in live.said(_PATIENCE_S * len(probes) + 5):
            trouble = said.kind if isinstance(said, Trouble) else ""
            if isinstance(said, Trouble) and said.probe is None and trouble == "port":
                raise RequestError(said.text)
            if said.probe in left and trouble not in ("slow", "late"):
                left.remove(str(said.probe))
                yield str(said.probe), _WORDS.get(trouble, ANSWERS)
            if not left:
                return
