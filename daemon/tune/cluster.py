"""A cluster to try settings on, by the address of its scheduler: an executor like that of the processes here.

Its workers read the files that the search names, so that each must see them under the same path.
"""

from collections.abc import Iterator
from concurrent.futures import Executor
from contextlib import contextmanager

from daemon.errors import TuneError
from daemon.version import version
from rules import RULES_VERSION

ANSWERS_WITHIN_S = 10


@contextmanager
def cluster(address: str) -> Iterator[Executor]:
    """Give the executor of a cluster; what a lost worker had is tried again by another.

    TuneError where no scheduler answers, it has no workers, or one would judge otherwise than this machine.
    """
    from distributed import Client  # noqa: PLC0415  (slow to load, and an extra)

    try:
        client = Client(address, timeout=ANSWERS_WITHIN_S)
    except (OSError, ValueError) as error:
        raise TuneError(
            f"--cluster {address}: no scheduler answers; expected such as tcp://HOST:8786"
        ) from error
    with client:
        found = client.run(judge, on_error="return")
        if not found:
            raise TuneError(f"--cluster {address}: no worker yet; start one that sees the same files")
        if others := [f"{worker}: {its}" for worker, its in found.items() if its != judge()]:
            raise TuneError(f"--cluster {address}: worker {min(others)}; expected {judge()}")
        yield client.get_executor(pure=False)


def judge() -> str:
    """Return what judges in this process."""
    return f"bellwatch {version()}, rules {RULES_VERSION}"
