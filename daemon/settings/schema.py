"""The JSON Schema of the settings file, so that editors complete and explain its keys."""

from typing import Any

from daemon.settings.rack import Settings

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def settings_schema() -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of the settings file, with a description and unit for each key."""
    schema = _for_toml(Settings.model_json_schema(by_alias=True))
    return {"$schema": DIALECT, "title": "Settings of bellwatch", **schema}


def _for_toml(node: Any) -> Any:  # noqa: ANN401  (whatever JSON can hold)
    """Drop what only Python needs: generated titles, and null, which TOML does not have."""
    if isinstance(node, list):
        return [_for_toml(item) for item in node]
    if not isinstance(node, dict):
        return node
    kept = {key: _for_toml(value) for key, value in node.items() if not _only_for_python(key, value)}
    if "anyOf" in kept:
        choices = [choice for choice in kept.pop("anyOf") if choice != {"type": "null"}]
        kept |= choices[0] if len(choices) == 1 else {"anyOf": choices}
    return kept


def _only_for_python(key: str, value: object) -> bool:
    return (key == "title" and isinstance(value, str)) or (key == "default" and value is None)
