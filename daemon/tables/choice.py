"""A table that is one of several kinds: which one, its own keys tell."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import GetCoreSchemaHandler
from pydantic_core import CoreSchema, core_schema

from daemon.tables.types import Table

NO_KIND = "no_kind"


@dataclass(frozen=True, slots=True)
class Choice:
    """Stands beside the type that all kinds share, in `Annotated`.

    `tables` are the kinds, `pick` tells which one some keys and values are meant to be. Where it is none,
    `refusal` says what would be right (`expected`), and what was found (`found`, or the `key` whose value).
    """

    tables: Callable[[], Iterable[type[Table]]]
    pick: Callable[[Mapping[str, Any]], type[Table] | None]
    refusal: Callable[[], dict[str, Any]]

    def __get_pydantic_core_schema__(self, _source: object, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.tagged_union_schema(
            {tag_of(table): handler.generate_schema(table) for table in self.tables()},
            self._tag,
            custom_error_type=NO_KIND,
            custom_error_message="{expected}",
            custom_error_context=self.refusal(),
        )

    def _tag(self, value: object) -> str | None:
        table = self.pick(value) if isinstance(value, dict) else type(value)
        return tag_of(table) if table is not None else None


def tag_of(table: type) -> str:
    """Return the mark of a kind in the path that pydantic gives; the file does not have it."""
    return f"<{table.__name__}>"
