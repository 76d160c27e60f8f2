"""What wins where two things meet that keep an alarm from people, move its limits, or answer it.

The rules themselves stand where they are carried out (`rules.alarms.life_cycle`, `rules.deeds`,
`rules.calling`); `tests/rules/alarms/test_precedence.py` tries each row on them, `deploy/reference.md` shows
them.
"""

from dataclasses import dataclass
from enum import StrEnum


class Thing(StrEnum):
    """What can meet. TIME_ZONE is that of the people, changed in the settings."""

    MAINTENANCE = "maintenance"
    SHELF = "shelf"
    OUT_OF_SERVICE = "out of service"
    STAGE_MOVE = "stage move"
    RAMP = "ramp"
    SEEN = "seen"
    ON_MY_WAY = "on my way"
    SECOND_WATCHER = "second watcher"
    UPGRADE = "upgrade"
    TIME_ZONE = "time zone"


@dataclass(frozen=True, slots=True)
class Meeting:
    """Two things that meet, which of them wins (None: each does its own), and what that means."""

    one: Thing
    other: Thing
    wins: Thing | None
    so: str


_M, _S, _O, _G = Thing.MAINTENANCE, Thing.SHELF, Thing.OUT_OF_SERVICE, Thing.STAGE_MOVE
_R, _E, _W, _P = Thing.RAMP, Thing.SEEN, Thing.ON_MY_WAY, Thing.SECOND_WATCHER
_U, _Z = Thing.UPGRADE, Thing.TIME_ZONE
_ANEW = "what still stands at its end calls anew"
_GOES_ON = "goes on over the upgrade, which judges anew from the journal"
_KEEPS = "ends after the time that was said, whatever the clocks show"
_BOTH_SILENT = "neither watcher calls; at its end the second stands in again"

PRECEDENCE: tuple[Meeting, ...] = (
    Meeting(_M, _S, _S, "shown as shelved; told once both have ended"),
    Meeting(_M, _O, _O, "the end of maintenance tells nothing that is out of service"),
    Meeting(_M, _G, _M, "silent until its end, then judged by the new limits"),
    Meeting(_M, _R, _M, "silent until its end, then judged by where the limits are"),
    Meeting(_M, _E, _M, _ANEW),
    Meeting(_M, _W, _M, f"nobody is asked when the promise runs out; {_ANEW}"),
    Meeting(_M, _P, _M, _BOTH_SILENT),
    Meeting(_M, _U, _M, _GOES_ON),
    Meeting(_M, _Z, _M, _KEEPS),
    Meeting(_S, _O, _O, "the end of the shelf tells nothing that is out of service"),
    Meeting(_S, _G, _G, "the shelf of a limit that changes ends one on-delay later"),
    Meeting(_S, _R, _S, "the shelf stays while the limit moves"),
    Meeting(_S, _E, _S, _ANEW),
    Meeting(_S, _W, _S, f"nobody is asked when the promise runs out; {_ANEW}"),
    Meeting(_S, _P, _S, _BOTH_SILENT),
    Meeting(_S, _U, _S, _GOES_ON),
    Meeting(_S, _Z, _S, _KEEPS),
    Meeting(_O, _G, _O, "out of service until somebody puts it back"),
    Meeting(_O, _R, _O, "out of service until somebody puts it back"),
    Meeting(_O, _E, _O, "what still stands when it is put back calls anew"),
    Meeting(_O, _W, _O, "nobody is asked when the promise runs out; put back, it calls anew"),
    Meeting(_O, _P, _O, _BOTH_SILENT),
    Meeting(_O, _U, _O, _GOES_ON),
    Meeting(_O, _Z, _O, "out of service until somebody puts it back"),
    Meeting(_G, _R, _G, "the new ramp begins where the limits then are"),
    Meeting(_G, _E, None, "seen as long as it stands; what is worse by the new limits calls"),
    Meeting(_G, _W, None, "the promise holds; what is worse by the new limits calls"),
    Meeting(_G, _P, None, "both hear the same alarms, and the second is silent"),
    Meeting(_G, _U, _G, _GOES_ON),
    Meeting(_G, _Z, _G, "the limits change at the moment that was said"),
    Meeting(_R, _E, None, "seen as long as it stands; what becomes worse calls"),
    Meeting(_R, _W, None, "the promise holds; what becomes worse calls"),
    Meeting(_R, _P, None, "both hear the same alarms, and the second is silent"),
    Meeting(_R, _U, _R, _GOES_ON),
    Meeting(_R, _Z, _R, "the limit moves on at its pace"),
    Meeting(_E, _W, None, "the newer answer counts, and asks again after its own time"),
    Meeting(_E, _P, _E, "seen at one is seen at the other, also where the first is dead"),
    Meeting(_E, _U, _E, _GOES_ON),
    Meeting(
        _E, _Z, _E, "asks again after its own time, in the quiet hours of the new zone only what cannot wait"
    ),
    Meeting(_W, _P, _W, "promised at one is promised at the other; run out, the next is called"),
    Meeting(_W, _U, _W, _GOES_ON),
    Meeting(_W, _Z, _W, "the promise runs out when it did"),
    Meeting(_P, _U, None, "both hear the same alarms, and the second is silent"),
    Meeting(_P, _Z, None, "the second is silent; both say so where only one has the new zone"),
    Meeting(_U, _Z, None, "the upgrade takes over what stands; the people go by the new zone"),
)
