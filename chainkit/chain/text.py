"""A chain as YAML text.

References
----------
*YAML Ain't Markup Language*, version 1.2.2 (2021), 10.3.2: which plain scalars are no text.
*Integer Language-Independent Type for YAML*, version 1.1 (2005): numbers in base 60.
"""

from __future__ import annotations

import re
from typing import Any

import yaml

from chainkit.chain.model import Chain


def dump_chain(chain: Chain) -> str:
    """YAML text of `chain`, defaults filled in; reading it gives an equal chain.

    Parameters
    ----------
    chain : Chain

    Returns
    -------
    str
    """
    return yaml.dump(
        _laid_out(chain.as_dict()), Dumper=_Dumper, sort_keys=False, allow_unicode=True, width=100
    )


def one_line(text: str) -> str:
    """`text`, without line breaks, as it stands behind a key: in quotes where it needs them."""
    dumped = yaml.dump(text, Dumper=_Dumper, allow_unicode=True, width=float("inf"))
    return str(dumped).removesuffix("...\n").rstrip("\n")


class _Line(dict[str, Any]):
    """A mapping that is written on one line."""


class _Dumper(yaml.SafeDumper):
    """Writes bands and points on one line each, and quotes what YAML 1.2 takes for no text.

    Ratios, too, for readers of YAML 1.1: there ``4:1`` is 241, counted in sixties.
    """

    yaml_implicit_resolvers: dict[str, list[Any]] = {}


_NO_TEXT = {
    "null": (r"|~|null|Null|NULL", ["", "~", "n", "N"]),
    "bool": (r"true|True|TRUE|false|False|FALSE", list("tTfF")),
    "int": (r"[-+]?[0-9]+|0o[0-7]+|0x[0-9a-fA-F]+", list("-+0123456789")),
    "float": (
        r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?"
        r"|[-+]?\.(inf|Inf|INF)|\.(nan|NaN|NAN)",
        list("-+.0123456789"),
    ),
    "int of YAML 1.1": (r"[-+]?[1-9][0-9_]*(:[0-5]?[0-9])+", list("-+123456789")),
}
"""Pattern of the plain scalars that are no text, and the letters they begin with."""
_ODD_BREAKS = re.compile("[\r\x85\u2028\u2029]")
"""Line breaks that come back as they are only from an escape."""


def _text(dumper: _Dumper, text: str) -> yaml.ScalarNode:
    style = '"' if _ODD_BREAKS.search(text) else "|" if "\n" in text else None
    return dumper.represent_scalar("tag:yaml.org,2002:str", text, style=style)


for _kind, (_pattern, _first) in _NO_TEXT.items():
    _Dumper.add_implicit_resolver(
        f"tag:yaml.org,2002:{_kind}", re.compile(f"^({_pattern})$"), _first
    )
_Dumper.add_representer(str, _text)
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
