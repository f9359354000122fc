"""What is compared: chains, orders of a chain's stages, values that vary, the untreated voice."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from chainkit.chain import Chain
from chainkit.chain.document import Place
from chainkit.errors import UsageError
from chainkit.units import NUMBER, typeset

MOST = 64
UNTREATED = "untreated"


@dataclass(frozen=True)
class Candidate:
    """One thing to compare.

    Parameters
    ----------
    name : str
        Unique among the candidates.
    slug : str
        The name as part of a file name; unique as well.
    chain : Chain
        Without stages for the untreated voice.
    """

    name: str
    slug: str
    chain: Chain

    @property
    def description(self) -> str:
        """The active stages in signal order."""
        return " → ".join(stage.name for stage in self.chain.active) or "no stages"


def candidates(
    chains: Sequence[Chain],
    *,
    orders: Sequence[str] = (),
    pins: Sequence[str] = (),
    vary: Sequence[str] = (),
    untreated: bool = False,
) -> tuple[Candidate, ...]:
    """All that is asked for, the untreated voice last.

    Parameters
    ----------
    chains : sequence of Chain
    orders : sequence of str
        ``all``, or names of stages with commas, the stages that are not named keeping their place.
    pins : sequence of str
        Stages that keep their place under ``all``.
    vary : sequence of str
        ``stage.key=from..to:step`` or ``stage.key=one,two,…``; several make a grid.
    untreated : bool

    Raises
    ------
    UsageError
        A stage, key or value is wrong, or more than 64 candidates come out.
    """
    found: list[tuple[str, Chain]] = []
    for chain, label in zip(chains, _labels(chains), strict=True):
        for ordered, order_name in _orders(chain, orders, pins):
            for varied, value_name in _grid(ordered, vary):
                lead = label if len(chains) > 1 or not (order_name or value_name) else ""
                words = [word for word in (lead, order_name, value_name) if word]
                found.append((", ".join(words), varied))
    if untreated:
        level = chains[0].working_level
        found.append((UNTREATED, Chain((), name=UNTREATED, working_level=level)))
    if len(found) > MOST:
        raise UsageError(
            f"{len(found)} candidates; at most {MOST} are compared (--pin keeps places)"
        )
    names = _unique(name for name, _ in found)
    slugs = _unique(_slug(name) for name in names)
    rows = zip(names, slugs, found, strict=True)
    return tuple(Candidate(name, slug, chain) for name, slug, (_, chain) in rows)


def _labels(chains: Sequence[Chain]) -> list[str]:
    """Name of each chain: its own, else that of its file."""
    stems = (re.sub(r"\.ya?ml$", "", re.split(r"[/\\]", chain.source)[-1]) for chain in chains)
    return [chain.name or stem for chain, stem in zip(chains, stems, strict=True)]


def _orders(
    chain: Chain, orders: Sequence[str], pins: Sequence[str]
) -> Iterator[tuple[Chain, str]]:
    if not orders:
        yield chain, ""
        return
    seen: list[tuple[object, ...]] = []
    for names in itertools.chain.from_iterable(_arrangements(chain, o, pins) for o in orders):
        ordered = chain.reordered(names)
        # Stages that are alike but for their names give the same order twice.
        likeness = tuple(replace(stage, name="x") for stage in ordered.active)
        if likeness not in seen:
            seen.append(likeness)
            yield ordered, " → ".join(stage.name for stage in ordered.active)


def _arrangements(chain: Chain, order: str, pins: Sequence[str]) -> Iterator[list[str]]:
    names = [stage.name for stage in chain.stages]
    if order.strip().lower() != "all":
        yield _filled(chain, names, [name.strip() for name in order.split(",")])
        return
    fixed = {chain.index(pin) for pin in pins}
    fixed |= {n for n, stage in enumerate(chain.stages) if stage.bypass}
    free = [name for n, name in enumerate(names) if n not in fixed]
    if math.factorial(len(free)) > 1000:
        raise UsageError(f"{len(free)} stages have too many orders; --pin keeps some in place")
    for permutation in itertools.permutations(free):
        rest = iter(permutation)
        yield [name if n in fixed else next(rest) for n, name in enumerate(names)]


def _filled(chain: Chain, names: list[str], order: list[str]) -> list[str]:
    """`order` put into the places of the stages it names; the others stay where they are."""
    places = sorted(chain.index(name) for name in order)
    if len(set(places)) != len(places):
        raise UsageError(f"order {','.join(order)}: a stage is named twice")
    filled = list(names)
    for place, name in zip(places, order, strict=True):
        filled[place] = name
    return filled


def _grid(chain: Chain, vary: Sequence[str]) -> Iterator[tuple[Chain, str]]:
    axes = [_axis(text) for text in vary]
    paths = [path for path, _ in axes]
    if twice := [path for path in paths if paths.count(path) > 1]:
        raise UsageError(f"--vary {twice[0]} is given twice; give all of its values at once")
    for values in itertools.product(*(values for _, values in axes)):
        changed, words = chain, []
        for (path, _), value in zip(axes, values, strict=True):
            changed = changed.with_value(path, value, Place(f"--vary {path}={value}"))
            words.append(f"{path} {typeset(_spaced(value))}")
        yield changed, ", ".join(words)


def _spaced(value: str) -> str:
    """``-30LUFS`` as it reads best: ``-30 LUFS``."""
    return re.sub(rf"^({NUMBER})(?=[^\W\deE]|%)", r"\1 ", value)


_RANGE = re.compile(
    rf"\s*({NUMBER})\s*(\S*?)\s*\.\.\s*({NUMBER})\s*(\S*?)\s*:\s*({NUMBER})\s*(\S*)\s*"
)


def _axis(text: str) -> tuple[str, list[str]]:
    """Path and values of ``stage.key=from..to:step`` or ``stage.key=one,two``."""
    path, equals, values = text.partition("=")
    if not equals or not values.strip():
        raise UsageError(f"--vary {text!r}: write STAGE.KEY=FROM..TO:STEP or STAGE.KEY=ONE,TWO")
    if ".." not in values:
        return path.strip(), [value.strip() for value in values.split(",")]
    match = _RANGE.fullmatch(values)
    if match is None:
        raise UsageError(f"--vary {text!r}: write the range as -40dB..-28dB:2dB")
    return path.strip(), _steps(text, *match.groups())


def _steps(
    text: str, start: str, unit: str, end: str, end_unit: str, step: str, step_unit: str
) -> list[str]:
    units = {word for word in (unit, end_unit, step_unit) if word}
    first, last, stride = float(start), float(end), float(step)
    stride = -stride if last < first and stride > 0 else stride  # a step down needs no sign
    if len(units) > 1 or stride == 0 or (last - first) * stride < 0:
        raise UsageError(f"--vary {text!r}: one unit, and a step that leads from start to end")
    count = math.floor((last - first) / stride + 1e-9) + 1
    if count > MOST:
        raise UsageError(f"--vary {text!r}: {count} values; at most {MOST}")
    suffix = f" {units.pop()}" if units else ""
    return [f"{first + n * stride:.10g}{suffix}" for n in range(count)]


def _slug(name: str) -> str:
    plain = name.lower().replace(" → ", "-").replace("−", "-")
    words = re.sub(r"[^a-z0-9.+-]+", "-", plain).strip("-.")
    return words[:80] or "candidate"


def _unique(names: Iterable[str]) -> list[str]:
    taken: list[str] = []
    for name in names:
        numbers = itertools.count(2)
        unique = name
        while unique in taken:
            unique = f"{name}-{next(numbers)}"
        taken.append(unique)
    return taken
