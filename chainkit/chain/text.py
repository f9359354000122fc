"""A chain as YAML text."""

from __future__ import annotations

from typing import Any

import yaml

from chainkit.chain.model import Chain


def dump_chain(chain: Chain) -> str:
    """YAML text of `chain`, defaults filled in; reading it gives an equal chain."""
    return yaml.dump(
        _laid_out(chain.as_dict()), Dumper=_Dumper, sort_keys=False, allow_unicode=True, width=100
    )


class _Line(dict):
    """A mapping that is written on one line."""


class _Dumper(yaml.SafeDumper):
    """Writes bands and points on one line each."""


_Dumper.add_representer(
    _Line,
    lambda dumper, line: dumper.represent_mapping("tag:yaml.org,2002:map", line, flow_style=True),
)
_Dumper.add_representer(
    tuple,
    lambda dumper, row: dumper.represent_sequence("tag:yaml.org,2002:seq", row, flow_style=True),
)


def _laid_out(value: Any) -> Any:
    if isinstance(value, dict):
        kind = _Line if "shape" in value else dict
        return kind({key: _laid_out(inner) for key, inner in value.items()})
    if isinstance(value, list):
        row = all(isinstance(item, str) for item in value)
        return tuple(value) if row else [_laid_out(item) for item in value]
    return value
