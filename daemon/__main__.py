"""`bellwatch` and `python -m daemon`: Ctrl-C ends it without a traceback, also while it is still loading."""

import codecs
import os
import signal
import sys
from io import TextIOWrapper

INTERRUPTED = 130


def main() -> int:
    """Load the command line and run it; return its exit status."""
    # numpy's library of matrices, of which nothing here has any, begins a thread for each core at each start.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    codecs.register_error("plain", _plainly)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors="plain")
    try:
        from daemon.commands.cli import main as bellwatch  # noqa: PLC0415  (loading takes a second)

        return bellwatch()
    except KeyboardInterrupt:
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # a second Ctrl-C changes nothing any more
        print("Interrupted.", file=sys.stderr)
        return INTERRUPTED


def _plainly(error: UnicodeError) -> tuple[str, int]:
    """Write what a terminal without UTF-8 cannot show by signs that it can."""
    from daemon.commands.rack.lines import plain  # noqa: PLC0415  (most terminals show everything)

    if not isinstance(error, UnicodeEncodeError):
        raise error
    return plain(error.object[error.start : error.end]), error.end


if __name__ == "__main__":
    sys.exit(main())
