"""The probe of a booted rack: a pseudo-terminal, pulled out by SIGUSR1 and put back by SIGUSR2."""

import os
import random
import signal
import time
from pathlib import Path

from tests.rigs.parts.pty_pair import Peer, PtyLine, answer_frame


def answer(request):
    """Water that hardly moves; by chance, since what repeats itself is a probe that plays a record."""
    return answer_frame(request[0], request[1], 1500 + random.randrange(5))


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
