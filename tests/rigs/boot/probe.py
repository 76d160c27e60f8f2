"""The probe of a booted rack: a pseudo-terminal, pulled out by SIGUSR1 and put back by SIGUSR2.

It is in 15 °C, and in 30 °C while there is a file /run/rack/warm.
"""

import os
import random
import signal
import time
from pathlib import Path

from tests.rigs.parts.pty_pair import Peer, PtyLine, answer_frame

WARM = Path("/run/rack/warm")


def answer(request):
    """Water that hardly moves; by chance, since what repeats itself is a probe that plays a record."""
    water = 3000 if WARM.exists() else 1500
    return answer_frame(request[0], request[1], water + random.randrange(5))


def plug():
    line.plug()
    Path(os.ttyname(line._slave)).chmod(0o666)
    line.path.unlink()
    line.path.symlink_to(os.ttyname(line._slave))


Path("/run/rack").mkdir(exist_ok=True)
line = PtyLine(Path("/run/rack/serial"))
Path(os.ttyname(line._slave)).chmod(0o666)
wanted = []
signal.signal(signal.SIGUSR1, lambda *_: wanted.append("out"))
signal.signal(signal.SIGUSR2, lambda *_: wanted.append("in"))
peer = Peer(line, answer).__enter__()
while True:
    time.sleep(0.1)
    while wanted:
        if wanted.pop(0) == "out":
            peer.__exit__()
            line.unplug()
        else:
            plug()
            peer = Peer(line, answer).__enter__()
