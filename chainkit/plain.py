"""Plain values as text for machines."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any


def as_json(value: Any) -> str:
    """Text of plain values and numpy's numbers as JSON, as people write names.

    What is not finite becomes null: JSON has no word for it.

    Parameters
    ----------
    value : mapping, sequence, text, number or None
    """
    return json.dumps(_finite(value), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def _finite(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: _finite(inner) for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [_finite(inner) for inner in value]
    if hasattr(value, "item"):
        value = value.item()
    return None if isinstance(value, float) and not math.isfinite(value) else value
