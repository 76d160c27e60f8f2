"""Who speaks under the name of a rack: two machines of one name are found, and told apart.

1. The journal and the start of its machine tell one speaker from another. Two that are heard in turn (one,
   the other, the first again) speak at once; a new card or a reboot is never heard so.
2. Speakers that were heard at once are racks of their own from then on, named by journal and host: neither
   ends what the other says, and each is missed by itself.
3. They are one rack again once one of them is heard under another name, or was silent for a day.
"""

from dataclasses import dataclass, field

from rules.calling.records import Voice

SPEAKERS_AT_MOST = 20
APART_FOR_MS = 86_400_000
"""So long a speaker is missed by itself after its last word (project judgement)."""


@dataclass(slots=True)
class Speaker:
    """`name` is for people; `last_ms` is when it was heard last, or when listening began anew."""

    name: str
    last_ms: int


@dataclass(slots=True)
class Voices:
    """The speakers by rack, and the names of those that are told apart."""

    speakers: dict[str, dict[str, Speaker]] = field(default_factory=dict)
    apart: dict[str, dict[str, str]] = field(default_factory=dict)

    def hear(self, rack: str, voice: Voice, at_ms: int, within_ms: int) -> bool:
        """Note a live sign; return whether another speaks at once who was not told apart yet."""
        if not voice.journal:
            return False
        known = self.speakers.setdefault(rack, {})
        before, lately_ms = known.get(voice.key), at_ms - within_ms
        others = [key for key, other in known.items() if key != voice.key and other.last_ms >= lately_ms]
        at_once = [key for key in others if before and before.last_ms <= known[key].last_ms]
        if before is None and len(known) >= SPEAKERS_AT_MOST:
            del known[min(known, key=lambda key: known[key].last_ms)]
        known[voice.key] = Speaker(voice.name, at_ms)
        if not before or before.last_ms < lately_ms or not at_once:
            return False
        pair = {key: f"{rack} ({known[key].name})" for key in (*at_once, voice.key)}
        if len(set(pair.values())) < len(pair):  # copies of one card: only the start of the machine differs
            pair = {
                key: f"{name[:-1]}, started as {key.partition(':')[2][:6]})" for key, name in pair.items()
            }
        apart = self.apart.setdefault(rack, {})
        found = not pair.keys() <= apart.keys()
        self.apart[rack] = {**pair, **apart}
        return found

    def names(self, rack: str) -> tuple[str, ...]:
        """Return the names under which a rack, and those of its speakers that are told apart, are known."""
        return (rack, *self.apart.get(rack, {}).values())

    def name(self, rack: str, journal: str, boot: str) -> str:
        """Return the name of a rack, or of the one of its speakers that is told apart."""
        apart = self.apart.get(rack, {})
        of_journal = [name for key, name in apart.items() if key.partition(":")[0] == journal]
        return apart.get(f"{journal}:{boot}") or (of_journal[0] if len(of_journal) == 1 else rack)

    def lives(self, rack: str, journal: str, since_ms: int, boot: str = "") -> bool:
        """Return whether a journal (at a start of its machine) was heard as a rack since a moment."""
        speakers = self.speakers.get(rack, {})
        return any(
            key.startswith(f"{journal}:{boot}") and it.last_ms >= since_ms for key, it in speakers.items()
        )

    def moved(self, rack: str, voice: Voice) -> list[str]:
        """Return the other racks under whose name somebody was told apart who speaks as `rack` now."""
        return [other for other, apart in self.apart.items() if other != rack and voice.key in apart]

    def due_ms(self) -> int | None:
        """Return when the next speaker has been silent for so long that it is no longer told apart."""
        return min((self._last_ms(rack) + APART_FOR_MS for rack in self.apart), default=None)

    def silent_for_long(self, at_ms: int) -> list[str]:
        """Return the racks of which a speaker that was told apart has been silent for so long."""
        return [rack for rack in self.apart if self._last_ms(rack) + APART_FOR_MS <= at_ms]

    def _last_ms(self, rack: str) -> int:
        known = self.speakers.get(rack, {})
        return min(known[key].last_ms if key in known else 0 for key in self.apart[rack])

    def allow_again(self, at_ms: int) -> None:
        """Count from `at_ms`: nobody listened before."""
        for speakers in self.speakers.values():
            for speaker in speakers.values():
                speaker.last_ms = max(speaker.last_ms, at_ms)
