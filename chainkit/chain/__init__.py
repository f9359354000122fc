"""Chain files: the only place that knows YAML and positions."""

from __future__ import annotations

from chainkit.chain.model import Chain
from chainkit.chain.reading import load_chain, parse_chain

__all__ = ["Chain", "load_chain", "parse_chain"]
