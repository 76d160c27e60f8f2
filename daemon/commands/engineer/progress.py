"""A long run at a terminal: a bar with its rate, and Ctrl-C that stops between two steps."""

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType

from rich.console import Console
from rich.progress import BarColumn, Progress, Task, TaskProgressColumn, TextColumn, TimeRemainingColumn
from rich.text import Text

INTERRUPTED = 130


@contextmanager
def stoppable() -> Iterator[Callable[[], bool]]:
    """Give what says whether somebody asked to stop: the first Ctrl-C does, a second ends the program."""
    asked = threading.Event()

    def ask(_number: int, _frame: FrameType | None) -> None:
        asked.set()
        signal.signal(signal.SIGINT, signal.default_int_handler)

    former = signal.signal(signal.SIGINT, ask)
    try:
        yield asked.is_set
    finally:
        signal.signal(signal.SIGINT, former)


class _Rate(TextColumn):
    def __init__(self, unit: str) -> None:
        super().__init__("")
        self._unit = unit

    def render(self, task: Task) -> Text:
        """Write the speed of the run."""
        speed = task.speed or 0.0
        text = f"{speed / 1e6:.1f} million" if speed >= 1e5 else f"{speed:.1f}"
        return Text(f"{text} {self._unit}/s")


def progress_bar(console: Console, unit: str) -> Progress:
    """Return a bar that also says how many `unit` a second; it goes away when it is done."""
    columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), _Rate(unit))
    return Progress(*columns, TimeRemainingColumn(), console=console, transient=True)
