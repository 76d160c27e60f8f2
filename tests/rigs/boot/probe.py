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
