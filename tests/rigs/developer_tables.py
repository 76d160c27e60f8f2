"""The tables of deploy/reference.md, from the code: `python -m tests.rigs.developer_tables` draws them anew.

Each stands between `<!-- NAME -->` and `<!-- end of NAME -->`; tests/test_docs.py says what is missing.
"""

import json
import re
from dataclasses import fields
from zoneinfo import ZoneInfo

from daemon.broker.command_message import BODIES, Command
from daemon.broker.connection import Arrival
from daemon.broker.messages import heartbeat_message, messages_of, rack_topic, watch_message
from daemon.broker.said import Replied, Said
from daemon.commands.cli import COMMANDS
from daemon.commands.rack.status import EXIT_STATUS
from daemon.oncall.link import Receipt
from daemon.settings.schema import settings_schema
from rules.alarms.event import AlarmEvent
from rules.alarms.life_cycle import TRANSITIONS, Condition, Priority, State, Trigger
from rules.alarms.precedence import PRECEDENCE
from rules.calling.records import Voice
from rules.readings import Notice
from tests.rigs.places import DEPLOY

REFERENCE = DEPLOY / "reference.md"
LETTERS = "ABCDEFGHI"


def rows_of_transitions():
    """A row for each trigger: the state that it leads to, by its letter, from each state that knows it."""
    letter = dict(zip(State, LETTERS, strict=True))
    for trigger in Trigger:
        cells = (TRANSITIONS.get((state, trigger)) for state in State)
        yield f"| {trigger} | " + " | ".join(letter[to] if to else " " for to in cells) + " |"


def letters_of_states():
    """The letters of the standard's state diagram."""
    return ", ".join(f"{letter} {state}" for letter, state in zip(LETTERS, State, strict=True))


def rows_of_commands():
    """Every command of the command line with its help."""
    for name, (_, help_text) in COMMANDS.items():
        yield f"| `bellwatch {name}` | {help_text} |"


def rows_of_exit_statuses():
    """What the exit status of `bellwatch status` says."""
    for how, code in EXIT_STATUS.items():
        yield f"| {code} | {how} |"


def rows_of_topics():
    """Every topic, whether the broker keeps it, and the keys of its payload, from messages as made."""
    topic, voice = rack_topic("ROOT", "RACK"), Voice("JOURNAL", "RUN", "BOOT", "HOST")
    event = AlarmEvent(
        1, 0, "VESSEL", "VESSEL/temperature", Condition.HIGH, Trigger.RAISED, State.UNACKNOWLEDGED,
        Priority.HIGH, 0,
    )  # fmt: skip
    notice = Notice("maintenance_over", 0, "VESSEL", {"back": True})
    messages = [
        *messages_of(event, voice, topic, ZoneInfo("UTC")),
        *messages_of(notice, voice, topic, ZoneInfo("UTC")),
        watch_message(topic, "watching", 0, voice),
        heartbeat_message(topic, 0, 0, 0, voice),
    ]
    for message in messages:
        name = message.topic.replace("temperature/high", "QUANTITY/CONDITION")
        keys = ", ".join(f"`{key}`" for key in json.loads(message.payload))
        yield f"| `{name}` | {'retained' if message.retain else 'once'} | {keys} |"
    keys = ", ".join(f"`{key}`" for key in Command.model_fields)
    yield f"| `ROOT/RACK/command` | to the daemon | {keys} |"
    keys = ", ".join(f"`{field.name}`" for field in fields(Receipt))
    by = "to the daemon, by the on-call process NAME; heard by others of these"
    yield f"| `ROOT/RACK/taken/NAME` | {by} | {keys} |"
    keys = ", ".join(f"`{key}`" for key in Said.model_fields)
    yield f"| `ROOT/_oncall/said/NAME/PERSON` | to the on-call process NAME, by a person | {keys} |"
    asked = Arrival("ROOT/_oncall/said/NAME/PERSON", b"", False, None, None, 0, 0, 0)
    replied = Replied(asked, "", "").message("ROOT", 0)
    keys = ", ".join(f"`{key}`" for key in json.loads(replied.payload))
    yield f"| `{replied.topic}` | once | {keys} |"


def rows_of_command_kinds():
    """Every kind of command through the broker, and what its body holds."""
    for kind, body in BODIES.items():
        yield f"| `{kind}` | {', '.join(f'`{key}`' for key in body.model_fields)} |"


def rows_of_settings():
    """Every table of the settings file with its keys."""
    schema = settings_schema()
    for path, keys in tables_in(schema, schema["$defs"], ""):
        yield f"| `{path or '(top)'}` | {', '.join(f'`{key}`' for key in keys)} |"


def tables_in(node, defs, path):
    """Give (path, keys) of each table that the settings may hold, names that people choose as NAME."""
    node = defs[node["$ref"].rsplit("/", 1)[1]] if "$ref" in node else node
    for choice in node.get("oneOf", []) + node.get("anyOf", []):
        yield from tables_in(choice, defs, path)
    for inner in node.get("patternProperties", {}).values():
        yield from tables_in(inner, defs, f"{path}.NAME")
    if "items" in node:
        yield from tables_in(node["items"], defs, f"{path}[]")
    if keys := node.get("properties"):
        yield path, list(keys)
        for key, inner in keys.items():
            yield from tables_in(inner, defs, f"{path}.{key}".lstrip("."))


def rows_of_precedence():
    """What wins where two things meet."""
    for it in PRECEDENCE:
        yield f"| {it.one} | {it.other} | {it.wins or 'neither'} | {it.so} |"


TABLES = {
    "precedence": rows_of_precedence,
    "transitions": rows_of_transitions,
    "commands": rows_of_commands,
    "exit statuses": rows_of_exit_statuses,
    "topics": rows_of_topics,
    "command kinds": rows_of_command_kinds,
    "settings": rows_of_settings,
}


def rows_written(text, name):
    """Return the rows that stand between the marks of a table, its head left out; None without the marks."""
    found = re.search(rf"<!-- {name} -->\n(.*?)<!-- end of {name} -->", text, re.DOTALL)
    return None if found is None else found[1].splitlines()[2:]


def rewritten(text):
    """Return the text with every table drawn anew under the head that it has."""
    for name, rows in TABLES.items():
        found = re.search(rf"(<!-- {name} -->\n.*?\n.*?\n)(.*?)(<!-- end of {name} -->)", text, re.DOTALL)
        text = text[: found.start(2)] + "".join(f"{row}\n" for row in rows()) + text[found.start(3) :]
    return text


if __name__ == "__main__":
    REFERENCE.write_text(rewritten(REFERENCE.read_text()))
