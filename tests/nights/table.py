"""Draws tests/nights/table.md anew: who got what when, in forty nights: `python -m tests.nights.table`."""

import subprocess
import sys
from dataclasses import replace

from daemon.words import condition_word
from rules.alarms.episodes import episodes_of
from rules.alarms.measures import REFERENCE, measures
from tests.nights.scripted import NIGHTS, TELLS, course_of
from tests.rigs.places import ROOT

FILE = ROOT / "tests" / "nights" / "table.md"
HEAD = """\
# Forty scripted nights: who got what when

Drawn at commit {commit} by `python -m tests.nights.table`; everything in it is invented. 21:00 to 06:00, ada
on call, then bo, then cy; the times, quiet hours and limits are those that are shipped. A *danger* is water
that is out of what its animals bear for half an hour (`BEARS` in `scripted.py`), by the simulated water;
*told* is the first call about it, in minutes before (-) or after it began. A call is *needless* where nothing
in the script is a cause of it. Other messages: that somebody has it, that it is over.

"""


def forty():
    """The course of each night."""
    for number in range(NIGHTS):
        yield course_of(number)


def measured(courses):
    """The alarm measures of the standard over the nights, laid end to end."""
    episodes, length_ms = [], 0
    for it in courses:
        moved = length_ms - it.night.start_ms
        for episode in episodes_of(it.night.events):
            until_ms = episode.until(it.night.end_ms) + moved
            episodes.append(replace(episode, start_ms=episode.start_ms + moved, end_ms=until_ms))
        length_ms += it.night.end_ms - it.night.start_ms
    return measures(episodes, 0, length_ms)


def lines(courses):
    """The table: a row a night, then every message of every night."""
    missed, needless = sum(len(it.missed()) for it in courses), [len(it.needless()) for it in courses]
    weeks = len(courses) / 7
    dangers = [danger for it in courses for danger in it.dangers()]
    a_week = f"{sum(needless)}, {sum(needless) / weeks:.1f} a week"
    yield f"Dangers {len(dangers)}, missed {missed}. Needless: {a_week}."
    yield ""
    yield "| night | what happens | dangers | told after, min | missed | needless | calls | other messages |"
    yield "| --- " * 8 + "|"
    for it in courses:
        told = [(danger, it.first_call(danger)) for danger in it.dangers()]
        after = ", ".join(_after(it, danger, call) for danger, call in told)
        water = ", ".join(f"{danger.vessel} {danger.what}" for danger, _ in told)
        counts = len(it.missed()), len(it.needless()), len(it.told), len(it.calls) - len(it.told)
        rest = " | ".join(map(str, counts))
        yield f"| {it.script.number} {it.script.kind} | {_what(it)} | {water} | {after} | {rest} |"
    yield ""
    yield from _measures(courses)
    yield "## Every message"
    for it in courses:
        sleeps = ", ".join(it.script.sleeps) or "nobody"
        yield ""
        yield f"{it.script.number} {it.script.kind} ({sleeps} sleeps on; answer: {it.script.reply}):"
        yield ""
        yield from (_message(it, call) for call in it.calls)


def _after(it, danger, call):
    return "never" if call is None else f"{it.minute(call.at_ms) - danger.from_min:+.0f}"


def _what(it):
    said = [
        f"{event.kind} {event.vessel or event.probe or event.bus or event.loop or ''}".strip()
        for event in it.script.scenario.events
    ]
    said += [f"{kind} {body['vessel']}" for _, kind, body in it.script.deeds]
    return ", ".join(dict.fromkeys(said)).replace("_", " ") or "nothing"


def _message(it, call):
    hour = (21 * 60 + it.minute(call.at_ms)) % (24 * 60)
    first = call.about[0].event if call.about else None
    what = f"{first.vessel} {first.quantity} {condition_word(first.condition)}" if first else ""
    more = f" and {len(call.about) - 1} more" if len(call.about) > 1 else ""
    kind = call.kind if call.kind in TELLS else f"({call.kind})"
    return (
        f"- {int(hour // 60):02}:{int(hour % 60):02} {call.person} {kind}, {call.priority.word}: {what}{more}"
    )


def _measures(courses):
    got = measured(courses)
    yield "| measure | the forty nights | reference (from memory) |"
    yield "| --- | --- | --- |"
    rows = {
        "per day": f"{got.per_day:.1f}",
        "per hour": f"{got.per_hour:.2f}",
        "per 10 min": f"{got.per_ten_minutes:.3f}",
        "hours above 30": f"{got.busy_hours:.1%}",
        "10 min above 10": f"{got.busy_ten_minutes:.1%}",
        "most in 10 min": str(got.most_in_ten_minutes),
        "time in flood": f"{got.flood_time:.1%}",
        "chattering": str(got.chattering),
        "stale": str(got.stale),
    }
    for name, value in rows.items():
        yield f"| {name} | {value} | {REFERENCE[name]} |"
    yield ""


def main():
    """Draw it."""
    commit = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.strip()
    courses = list(forty())
    FILE.write_text(HEAD.format(commit=commit) + "\n".join(lines(courses)) + "\n", encoding="utf-8")
    sys.stdout.write(f"{FILE}\n")


if __name__ == "__main__":
    main()
