"""`bellwatch` and `python -m daemon`: Ctrl-C ends it without a traceback, also while it is still loading."""

import signal
import sys

INTERRUPTED = 130


def main() -> int:
    """Load the command line and run it; return its exit status."""
    try:
        from daemon.commands.cli import main as bellwatch  # noqa: PLC0415  (loading takes a second)

        return bellwatch()
    except KeyboardInterrupt:
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # a second Ctrl-C changes nothing any more
        print("Interrupted.", file=sys.stderr)
        return INTERRUPTED


if __name__ == "__main__":
    sys.exit(main())
