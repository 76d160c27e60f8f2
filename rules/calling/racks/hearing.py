"""What racks say: which word on an alarm is news.

1. A rack numbers the words of its journal. One that is no newer than the newest on its alarm is passed over.
2. A rack that begins a new journal counts anew, and what the old journal said stands no longer. One whose
   journal went back counts anew too, under another run id; what it said before still stands.
3. Which of two journals or runs is the newer one is known by the rack's clock, but for one whose signs of
   life we hear: that is the one of now, though the clock was set back. A word of another one that is older
   than the rack's newest ends nothing, and never goes over a newer word on its alarm.
"""

from collections.abc import Collection
from dataclasses import dataclass, field

from rules.calling.records import Voice, Word
from rules.errors import InputError

RACKS_AT_MOST, ALARMS_AT_MOST = 200, 20_000
ALARMS_OF_A_RACK, ALWAYS_HEARD = 5_000, 100
"""More than any team cares for (project judgement): a sender gone wild must neither fill the memory nor take
the room that another rack's first alarms need."""


@dataclass(frozen=True, slots=True)
class Journal:
    """The journal that a rack writes now, the newest time of the rack that we know of, the journal's run."""

    id: str = ""
    newest_ms: int = -1
    run: str = ""


@dataclass(slots=True)
class Hearing:
    """The newest journal by rack, and by rack the newest number heard of each run:alarm."""

    journals: dict[str, Journal] = field(default_factory=dict)
    numbers: dict[str, dict[str, int]] = field(default_factory=dict)

    def count(self) -> int:
        """Return how many alarms were heard of."""
        return sum(map(len, self.numbers.values()))

    def newest(self, racks: Collection[str], run: str) -> int:
        """Return the highest number of an event that was heard of a run of these racks, 0 without one."""
        heard = (item for rack in racks for item in self.numbers.get(rack, {}).items())
        return max((number for key, number in heard if key.startswith(f"{run}:")), default=0)

    def knows(self, word: Word) -> bool:
        """Return whether a word is about an alarm that was heard of."""
        return _key(word) in self.numbers.get(word.rack, {})

    def refuse_too_many(self, rack: str, known: Collection[str], word: Word | None = None) -> None:
        """Raise InputError where a rack, or its word, is beyond what is kept; `known` gave signs of life."""
        unknown = rack not in known and rack not in self.numbers
        if unknown and max(len(known), len(self.numbers)) >= RACKS_AT_MOST:
            raise InputError(f"{rack}: more than {RACKS_AT_MOST} racks; is a sender making up names?")
        if word is None or self.knows(word):
            return
        own, all_full = len(self.numbers.get(rack, ())), self.count() >= ALARMS_AT_MOST
        if own >= (ALWAYS_HEARD if all_full else ALARMS_OF_A_RACK):
            raise InputError(f"{rack}: more than {own} alarms; is a sender making up names?")

    def begins_anew(self, word: Word) -> bool:
        """Note a word's journal; return whether its rack has begun a new one."""
        known = self.journals.get(word.rack, Journal())
        another = word.journal != known.id
        renewed = word.run != known.run
        if word.event.at_ms < known.newest_ms:
            return False
        self.journals[word.rack] = Journal(word.journal, word.event.at_ms, word.run)
        if another or (renewed and known.run):
            self.numbers[word.rack] = {}
        elif renewed:  # the first word after an update: runs had no ids before
            numbers, journal = self.numbers.get(word.rack, {}), f"{word.journal}:"
            self.numbers[word.rack] = {
                f"{word.run}:{key.removeprefix(journal)}": number for key, number in numbers.items()
            }
        return another

    def lives(self, rack: str, voice: Voice, rack_ms: int) -> None:
        """Note a live sign: another run that speaks by an earlier clock is that of now, set back."""
        known, now = self.journals.get(rack), Journal(voice.journal, rack_ms, voice.run)
        if known is None or not voice.run or (now.id, now.run) == (known.id, known.run):
            return
        if rack_ms < known.newest_ms:
            self.journals[rack], self.numbers[rack] = now, {}

    def cleared(self, rack: str, alarm: str) -> None:
        """Let the newest word on an alarm be news if it comes again: that it is over had no number, and may
        have come late."""
        numbers = self.numbers.get(rack, {})
        for key in [key for key in numbers if key.partition(":")[2] == alarm]:
            numbers[key] -= 1

    def is_news(self, word: Word, known_ms: int) -> bool:
        """Return whether we did not know a word yet; `known_ms` is that of the last one on its alarm."""
        numbers, key, now = self.numbers[word.rack], _key(word), self.journals[word.rack]
        outdated = (word.journal, word.run) != (now.id, now.run) and known_ms >= word.event.at_ms
        if outdated or word.event.number <= numbers.get(key, 0):
            return False
        numbers[key] = word.event.number
        return True


def _key(word: Word) -> str:
    return f"{word.run or word.journal}:{word.event.alarm}"
