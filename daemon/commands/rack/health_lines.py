"""What `bellwatch status` says of the daemon itself: its clock, its journal and its mirror."""

import json
from datetime import tzinfo
from pathlib import Path

from daemon.journal.damage import SET_ASIDE
from daemon.journal.dating import Dating
from daemon.journal.journal import Journal
from daemon.mirror.progress import backlog
from daemon.words import clock_time


def clock_lines(dating: Dating) -> list[str]:
    """Say whether times can be trusted."""
    if dating.unsynchronised_from_ms() is None:
        return []
    return [
        "The machine's clock is not synchronised yet: times since its start are a guess, and dated anew then."
    ]


def journal_lines(journal: Journal) -> list[str]:
    """Say that an earlier journal was set aside as damaged, and where it is."""
    note = journal.state.note(SET_ASIDE)
    if note is None:
        return []
    found = json.loads(note)
    return [
        f"An earlier journal was damaged ({found['reason']}) and set aside as {Path(found['file']).name}; "
        "older readings are in there."
    ]


def mirror_lines(journal: Journal, zone: tzinfo) -> list[str]:
    """Say how far the mirror has come, and what is in its way."""
    state = backlog(journal)
    behind = [
        f"{count} {what}"
        for count, what in ((state.readings_behind, "readings"), (state.events_behind, "alarm events"))
        if count
    ]
    done = state.progress.taken_ms
    upto = f", it has everything up to {clock_time(done, zone)}" if done is not None else ""
    lines = [
        f"The mirror is {' and '.join(behind)} behind{upto}."
        if behind
        else f"The mirror is up to date{upto}."
    ]
    if state.progress.trouble:
        lines.append(f"The mirror is held up: {state.progress.trouble}")
    if state.refused:
        lines.append(
            f"The mirror's server refused {state.refused} points, the last one so: {state.last_refusal}"
        )
    return lines
