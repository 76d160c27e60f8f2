"""Reading a probe live while it stands in a standard: what it sends is asked from the journal as it comes."""

import time
from collections.abc import Callable
from pathlib import Path

from daemon.as_read import shown, shown_unit
from daemon.errors import RequestError
from daemon.journal.journal import reading
from rules.care.hand_checks import allowed_error
from rules.care.stability import SPAN_MS, WINDOW, Settled, over_the_span, settled
from rules.rack.plan import Source

_LOOK_EVERY_S = 0.5


def settled_reading(path: Path, source: Source, within_s: float, say: Callable[[str], None]) -> Settled:
    """Return what a probe sends once it stands still, raw; `say` what it sends meanwhile.

    Raises RequestError where it does not settle within the time.
    """
    its = source.quantity
    with reading(path) as journal:
        after_seq = journal.inputs.last_seq()
        give_up_s, told, now = time.monotonic() + within_s, 0, None
        while time.monotonic() < give_up_s:
            reports = journal.inputs.reports_since(source.id, after_seq)
            now = settled(over_the_span(reports))
            for _, value in reports[told:]:
                say(f"  sends {shown(value, its):.4g} {shown_unit(its)}".rstrip())
            told = len(reports)
            if now is not None and now.within(allowed_error(source)):
                sure = shown(now.uncertainty, its, difference=True)
                say(f"  stable: {shown(now.mean, its):.5g} ± {sure:.2g} over the last {now.count} readings")
                return now
            time.sleep(_LOOK_EVERY_S)
    moving = shown(now.moved, its, difference=True) if now else 0.0
    heard = (
        f"still moving by {moving:+.2g}"
        if now
        else f"{told} readings; {WINDOW} over {SPAN_MS // 1000} s are needed"
    )
    raise RequestError(f"{source.probe} {source.quantity}: not stable within {within_s:.0f} s ({heard})")


def went_in(where: str) -> None:
    """Wait until somebody says that the probe is where it should be; without a terminal it is."""
    try:
        input(f"{where}, then press Enter: ")
    except EOFError:
        print()
