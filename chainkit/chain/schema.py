"""JSON Schema of a chain file, out of the forms that the stages declare."""

from __future__ import annotations

import dataclasses
import re
from typing import Any

from chainkit.chain.model import WORKING_LEVEL
from chainkit.stages import KINDS
from chainkit.stages.base import Settings
from chainkit.stages.eq import Slope
from chainkit.stages.forms import (
    Amount,
    Choice,
    Form,
    Group,
    Items,
    Number,
    Row,
    Switch,
    Text,
    Value,
    Variant,
)
from chainkit.units import RATIO, UNSIGNED


def chain_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of a chain file."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "chainkit chain file",
        "type": "object",
        "properties": {
            "chainkit": {"const": 1, "description": "Format version."},
            "name": {"type": "string"},
            "notes": {"type": "string"},
            "working_level": _value(WORKING_LEVEL)
            | {
                "description": "Loudness to which the voice is trimmed ahead of the first stage, "
                "that of its loudest channel by itself."
            },
            "stages": {
                "type": "array",
                "description": "Stages in signal order.",
                "items": {"oneOf": [_stage(kind) for kind in KINDS]},
            },
        },
        "required": ["chainkit", "stages"],
        "additionalProperties": False,
    }


def _stage(kind: str) -> dict[str, Any]:
    return {
        "type": "object",
        "properties": {kind: _settings(KINDS[kind])},
        "required": [kind],
        "additionalProperties": False,
    }


def _settings(cls: type[Settings], const: dict[str, str] | None = None) -> dict[str, Any]:
    fixed = {key: {"const": value} for key, value in (const or {}).items()}
    fields = {field.name: field for field in dataclasses.fields(cls) if "form" in field.metadata}
    required = [name for name, field in fields.items() if field.default is dataclasses.MISSING]
    return {
        "type": "object",
        "description": (cls.__doc__ or "").splitlines()[0],
        "properties": fixed | {name: _field(field) for name, field in fields.items()},
        "required": [*fixed, *required],
        "additionalProperties": False,
    }


def _field(field: dataclasses.Field[Any]) -> dict[str, Any]:
    form = field.metadata["form"]
    schema = _form(form) | {"description": field.metadata["about"]}
    if isinstance(form, Value) and field.default not in (dataclasses.MISSING, None, ""):
        schema["default"] = form.show(field.default)
    return schema


def _form(form: Form | Row) -> dict[str, Any]:
    match form:
        case Items():
            return {"type": "array", "items": _form(form.item)}
        case Variant():
            cases = form.cases.items()
            return {"oneOf": [_settings(cls, {form.key: word}) for word, cls in cases]}
        case Group():
            return _settings(form.cls)
        case Row():
            cells = [_form(value) for value in form.values]
            return {"type": "array", "prefixItems": cells, "items": False, "minItems": len(cells)}
        case _:
            return _value(form)


def _value(form: Value) -> dict[str, Any]:
    match form:
        case Amount():
            schema: dict[str, Any] = {"type": "string", "pattern": _pattern(form)}
            words = {"enum": list(form.words)}
            return {"anyOf": [schema, words]} if form.words else schema
        case Number():
            return {"type": "number", "minimum": form.low, "maximum": form.high}
        case Choice():
            return {"enum": list(form.options)}
        case Switch():
            return {"enum": ["yes", "no", True, False]}
        case Slope():
            return {"type": "string", "pattern": r"^(6|12|18|24|30|36|42|48) ?dB/oct$"}
        case Text():
            narrowed = {} if form.pattern == Text().pattern else {"pattern": f"^{form.pattern}$"}
            return {"type": "string"} | narrowed
    raise TypeError(f"no schema for {type(form).__name__}")


def _pattern(form: Amount) -> str:
    """What an amount is usually written like; of its bounds it has the sign alone."""
    if form.quantity is RATIO:
        return rf"^(inf|∞|{UNSIGNED} ?: ?{UNSIGNED})$"
    if form.low >= 0.0:
        number = rf"\+?{UNSIGNED}"
    elif form.high > 0.0:
        number = rf"[+−-]?{UNSIGNED}"
    else:
        number = rf"([−-]{UNSIGNED}|0)"
    units = "|".join(map(re.escape, form.quantity.powers))
    return rf"^{number} ?({units})$"
