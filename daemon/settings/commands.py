"""Settings of commands through the broker."""

from typing import Literal

from pydantic import Field

from daemon.tables.types import Switch, Table

CommandKind = Literal[
    "acknowledge",
    "reset",
    "shelve",
    "unshelve",
    "take_out_of_service",
    "put_back_into_service",
    "move_stage",
    "begin_maintenance",
    "end_maintenance",
]


class CommandSettings(Table):
    """Commands through the broker: what people may ask of the daemon from afar."""

    enabled: Switch = Field(
        False, description="Off until the broker lets only the right people publish commands"
    )
    kinds: tuple[CommandKind, ...] = Field(
        ("acknowledge",), description="What may be asked; everything else is refused"
    )
