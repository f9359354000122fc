"""JSON Schema of a songbook."""

from __future__ import annotations

from typing import Any

from chainkit.songbook import naming
from chainkit.stages.base import NAME


def songbook_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of a songbook."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "chainkit songbook",
        **_mapping(
            {
                "chainkit": {"const": 1, "description": "Format version."},
                "record": _text("Name of the record."),
                "output": _text(
                    "Folder of the outputs, beside the songbook.", default=naming.FOLDER
                ),
                "naming": _text(
                    f"Path of an output in that folder, without ending; of {_placeholders()}.",
                    default=naming.PATTERN,
                ),
                "chains": {
                    "type": "object",
                    "description": "Chain file, or name of a preset, for each role.",
                    "additionalProperties": {"type": "string"},
                    "minProperties": 1,
                },
                "songs": {
                    "type": "array",
                    "description": "Songs in the order of the record.",
                    "minItems": 1,
                    "items": _song(),
                },
            },
            required=["chainkit", "chains", "songs"],
        ),
    }


def _placeholders() -> str:
    return ", ".join(f"{{{name}}}" for name in naming.PLACEHOLDERS)


def _song() -> dict[str, Any]:
    return _mapping(
        {
            "title": _text("Title, unique in the record."),
            "voices": {"type": "array", "description": "What is sung in it.", "items": _voice()},
        },
        required=["title", "voices"],
    )


def _voice() -> dict[str, Any]:
    return _mapping(
        {
            "role": _text("Role, a key of chains."),
            "name": _text("Name within the song; the role if left out.") | {"pattern": _name()},
            "file": _text("Sound file of the voice."),
            "backing": _text("The mix without the voice, to tell how far the voice stands out."),
            "rides": _text("Ride file (CSV: seconds, gain_db) for the ride stage."),
            "changes": {
                "type": "object",
                "description": "Values that differ from the role's chain, by STAGE.KEY.",
                "additionalProperties": {"type": ["string", "number", "boolean"]},
            },
        },
        required=["role", "file"],
    )


def _name() -> str:
    return f"^{NAME.pattern}$"


def _text(description: str, default: str | None = None) -> dict[str, Any]:
    found = {"type": "string", "minLength": 1, "description": description}
    return found if default is None else found | {"default": default}


def _mapping(properties: dict[str, Any], required: list[str]) -> dict[str, Any]:
    return {
        "type": "object",
        "properties": properties,
        "required": required,
        "additionalProperties": False,
    }
