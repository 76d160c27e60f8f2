"""`RackNow` as JSON, and the JSON Schema of it (deploy/status.schema.json)."""

from typing import Any

from pydantic import TypeAdapter
from pydantic.json_schema import GenerateJsonSchema
from pydantic_core import core_schema

from daemon.settings.schema import DIALECT
from daemon.view.rack_now import RackNow

_RACK = TypeAdapter(RackNow)


class _Untitled(GenerateJsonSchema):
    """Leaves out the titles that only repeat the names of the fields."""

    def field_title_should_be_set(self, schema: core_schema.CoreSchema | object) -> bool:
        """Say that no field wants one."""
        return False


def rack_json(rack: RackNow) -> str:
    """Return what is now as JSON."""
    return _RACK.dump_json(rack, indent=2).decode()


def rack_schema() -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of `rack_json`."""
    schema = _RACK.json_schema(mode="serialization", schema_generator=_Untitled)
    return {"$schema": DIALECT, **schema, "title": "What `bellwatch status --json` prints"}
