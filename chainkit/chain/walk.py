"""From nodes to settings and back, led by the forms that the stages declare."""

from __future__ import annotations

import dataclasses
from collections import abc
from collections.abc import Collection, Iterator
from types import SimpleNamespace
from typing import Any, NoReturn

from chainkit.chain.document import Mapping, Node, Place, Scalar, Sequence, place_of, text_of, what
from chainkit.chain.faults import Faults, each, one_of
from chainkit.errors import ChainFileError, Known
from chainkit.stages.base import Misfit, Settings, forms
from chainkit.stages.forms import Form, Group, Items, Row, SettingFault, Value, Variant
from chainkit.texts import brief, cut
from chainkit.units import nearest

Path = tuple[str | int, ...]
MAPPING, LIST = (lambda: ("a mapping",)), (lambda: ("a list",))
"""What is allowed where no single value is."""


class Reader:
    """Makes settings from nodes and notes where each value stands.

    Attributes
    ----------
    places : dict of path to Place
    """

    def __init__(self) -> None:
        self.places: dict[Path, Place] = {}

    def settings(self, cls: type[Any], node: Node, path: Path, title: str) -> Any:
        """An instance of `cls` made from the mapping `node`."""
        self.places[path] = place_of(node)
        if not isinstance(node, Mapping):
            told = f"{title} needs a mapping of its settings; found {what(node)}"
            told = f"{told}; write {_as_mapping(cls, node, title)}"
            raise node.place.fault(told, Known(title, text_of(node), MAPPING))
        faults = Faults()
        with faults:
            check_keys(node, forms(cls), title)
            _check_complete(cls, node, title)
        with faults:
            _check_exclusive(cls, node)
        values = {}
        for key, form in forms(cls).items():
            if key in node.values:
                with faults:
                    values[key] = self._form(form, node.values[key], (*path, key), key)
        for misfit in _conflicts(cls, values, node):
            with faults:
                raise misfit_at(self.places, path, misfit) or node.place.fault(misfit.message)
        faults.tell()
        return cls(**values)

    def _form(self, form: Form | Row, node: Node, path: Path, key: str) -> Any:
        self.places[path] = place_of(node)
        if isinstance(form, Value):
            return read_scalar(form, node, key)
        if isinstance(form, Group):
            return self.settings(form.cls, node, path, key)
        if isinstance(form, Variant):
            return self._variant(form, node, path, key)
        if isinstance(form, Row):
            return self._row(form, node, path, key)
        if not isinstance(node, Sequence):
            known = Known(key, text_of(node), LIST)
            raise node.place.fault(f"{key} needs a list; found {what(node)}", known)
        places = [(*path, n) for n in range(len(node.items))]
        return tuple(each(lambda i, p: self._form(form.item, i, p, key), node.items, places))

    def _variant(self, form: Variant, node: Node, path: Path, key: str) -> Any:
        if not isinstance(node, Mapping):
            told = f"{key} needs mappings with {form.key}: …; found {what(node)}"
            raise node.place.fault(told, Known(key, text_of(node), MAPPING))
        chosen = node.values.get(form.key)
        allowed = ", ".join(form.cases)
        if not isinstance(chosen, Scalar):
            told = f"{form.key} is missing in {key}; allowed are {allowed}"
            raise node.place.fault(told, Known(form.key, allowed=lambda: form.cases))
        if chosen.text not in form.cases:
            hint = nearest(chosen.text, form.cases)
            told = f"{form.key} {brief(chosen.text)} is not one of {allowed}{hint}"
            raise chosen.place.fault(told, one_of(form.cases, form.key, chosen.text))
        rest = Mapping(node.place, dict(node.keys), dict(node.values))
        del rest.keys[form.key], rest.values[form.key]
        return self.settings(form.cases[chosen.text], rest, path, chosen.text)

    def _row(self, form: Row, node: Node, path: Path, key: str) -> tuple[Any, ...]:
        if not isinstance(node, Sequence) or len(node.items) != len(form.names):
            due = f"[{', '.join(form.names)}]"
            known = Known(key, text_of(node), lambda: (due,))
            raise node.place.fault(f"{key} needs pairs {due}; found {what(node)}", known)
        for name, cell in zip(form.names, node.items, strict=True):
            self.places[*path, name] = place_of(cell)
        return tuple(each(read_scalar, form.values, node.items, form.names))


def misfit_at(
    places: abc.Mapping[Path, Place], path: Path, misfit: Misfit
) -> ChainFileError | None:
    """The fault of `misfit` where it stands, or the nearest value around it that has a place.

    Parameters
    ----------
    places : mapping of path to Place
    path : tuple
        Of the settings that `misfit` is in.
    misfit : Misfit
    """
    trail = (*path, *misfit.path)
    key = next((key for key in reversed(misfit.path) if isinstance(key, str)), None)
    for length in range(len(trail), 0, -1):
        place = places.get(trail[:length])
        if place is not None:
            value = place.text if length == len(trail) else None
            return place.fault(misfit.message, Known(key, value, lambda: misfit.allowed))
    return None


def _as_mapping(cls: type[Any], node: Node, title: str) -> str:
    """How to write what stands in the place of a mapping: under the first key that takes it."""
    needed = [field.name for field in dataclasses.fields(cls) if _is_needed(field)]
    keys = [key for key in dict.fromkeys((*needed, *forms(cls))) if key not in ("name", "bypass")]
    key = next((key for key in keys if _takes(forms(cls)[key], node)), keys[0])
    taken = isinstance(node, Scalar) and _takes(forms(cls)[key], node)
    text = node.text if isinstance(node, Scalar) and taken else "…"
    more = ", …" if set(needed) - {key} else ""
    return f"{title}: {{{key}: {text}{more}}}"


def _takes(form: Form, node: Node) -> bool:
    """Whether `node` can stand as it is behind a key of this form, on one line between braces."""
    if isinstance(node, Sequence):
        return isinstance(form, Items)
    if not isinstance(form, Value) or not isinstance(node, Scalar) or node.is_null:
        return False
    try:
        form.read(node.text)
    except ValueError:
        return False
    return node.plain and len(node.text) <= 60 and not set(node.text) & set("{}[],#")


def read_scalar(form: Value, node: Node, key: str, title: str = "") -> Any:
    """Value of the scalar `node`; a fault names key (or its title), value and what is allowed."""
    title = title or cut(key)
    if not isinstance(node, Scalar) or node.is_null:
        told = f"{title} needs one value; found {what(node)}"
        raise node.place.fault(told, Known(key, allowed=form.allowed))
    try:
        return form.read(node.text)
    except ValueError as fault:
        known = Known(key, node.text, form.allowed, lambda: form.nearest(node.text))
        raise node.place.fault(f"{title} {brief(node.text)} {fault}", known) from None


def scalar(node: Mapping, key: str, form: Value) -> Any:
    """Value of `key` in `node`, None where it is missing."""
    return read_scalar(form, node.values[key], key) if key in node.values else None


def check_keys(node: Mapping, allowed: Collection[str], title: str) -> None:
    """Raise the faults of the keys that are not allowed."""
    each(lambda key: _check_key(key, node, allowed, title), node)


def _check_key(key: str, node: Mapping, allowed: Collection[str], title: str) -> None:
    if key not in allowed:
        known = ", ".join(allowed)
        # `gain: 1,5 dB` between braces is two keys.
        comma = key[:1].isdecimal()
        hint = "; numbers take a decimal point" if comma else nearest(key, allowed)
        told = f"no key {brief(key)} in {title}; allowed are {known}{hint}"
        raise node.keys[key].fault(told, one_of(allowed, key))


def _is_needed(field: dataclasses.Field[Any]) -> bool:
    return field.default is dataclasses.MISSING


def _check_complete(cls: type[Any], node: Mapping, title: str) -> None:
    needed = (field.name for field in dataclasses.fields(cls) if _is_needed(field))
    missing = [key for key in needed if key not in node.values]
    each(lambda key: _refuse_missing(key, cls, node, title), missing)


def _refuse_missing(key: str, cls: type[Any], node: Mapping, title: str) -> NoReturn:
    form = forms(cls)[key]
    due = ", ".join(key for key in forms(cls) if key not in ("name", "bypass"))
    known = Known(key, allowed=form.allowed if isinstance(form, Value) else LIST)
    raise node.place.fault(f"{title} needs {key}; its keys are {due}", known)


def _check_exclusive(cls: type[Any], node: Mapping) -> None:
    for one, other in cls.exclusive:
        if one in node.values and other in node.values:
            told, second = f"give {one} or {other}, not both", node.values[other]
            raise second.place.fault(told, Known(other, text_of(second)))


def _conflicts(cls: type[Any], values: dict[str, Any], node: Mapping) -> Iterator[Misfit]:
    """Those of `values`, each sound by itself, that do not go together."""
    left_out = [f for f in dataclasses.fields(cls) if f.name not in node.values]
    defaults = {field.name: field.default for field in left_out if not _is_needed(field)}
    if not node.values.keys() <= forms(cls).keys():
        defaults = {}  # what was left out may be what has another name here
    try:
        yield from cls.conflicts(SimpleNamespace(**defaults, **values))
    except AttributeError:
        return  # the conflict would be with a value that has a fault itself


def shown(settings: Settings) -> dict[str, Any]:
    """`settings` as plain values, as they would stand in a chain file."""
    shape = getattr(settings, "shape", None)
    found: dict[str, Any] = {} if shape is None else {"shape": shape}
    needed = {field.name for field in dataclasses.fields(type(settings)) if _is_needed(field)}
    for key, form in forms(type(settings)).items():
        value = getattr(settings, key)
        is_written = key in needed or _is_written(form, value)
        if is_written and not (key == "bypass" and value is False):
            found[key] = _shown(form, value)
    return {key: value for key, value in found.items() if value != ""}


def _is_written(form: Form, value: Any) -> bool:
    """Whether `value` can be said: None takes a word for it, such as ``none``."""
    if value is None:
        return isinstance(form, Value) and None in form.words.values()
    return value != ()


def _shown(form: Form | Row, value: Any) -> Any:
    if isinstance(form, Value):
        return form.show(value)
    if isinstance(form, Items):
        return [_shown(form.item, item) for item in value]
    if isinstance(form, Row):
        return [cell.show(item) for cell, item in zip(form.values, value, strict=True)]
    return shown(value)


def changed(settings: Any, keys: list[str], text: str, what_it_is: str = "") -> Any:
    """`settings` with the value at `keys` read from `text`; a fault may tell what they are.

    Raises
    ------
    SettingFault
        The keys lead nowhere, or the value is not allowed.
    """
    key, rest = keys[0], keys[1:]
    known = forms(type(settings))
    if key not in known:
        hint = _deeper(known, key) or nearest(key, known)
        told = f"{what_it_is}no key {brief(key)}; allowed are {', '.join(known)}{hint}"
        raise SettingFault((key,), told)
    form, old = known[key], getattr(settings, key)
    if isinstance(form, Value) and not rest:
        new = _read_text(form, key, text)
    elif isinstance(form, Group) and rest:
        new = _changed_group(form, old, rest, text)
    elif isinstance(form, Items) and rest:
        new = _changed_item(old, key, rest, text)
    else:
        _leads_nowhere(form, key)
    return dataclasses.replace(settings, **{key: new})


def _deeper(known: dict[str, Form], key: str) -> str:
    """Where `key` is meant that stands a level deeper, how to write it."""
    for name, form in known.items():
        if isinstance(form, Group) and key in forms(form.cls):
            return f"; write {name}.{key}"
        item = form.item if isinstance(form, Items) else None
        if isinstance(item, Variant) and any(key in forms(case) for case in item.cases.values()):
            return f"; {name} count from 1: write {name}.1.{key} for that of the first"
    return ""


def _read_text(form: Value, key: str, text: str) -> Any:
    try:
        return form.read(text.strip())
    except ValueError as fault:
        raise SettingFault((key,), f"{brief(text.strip())} {fault}") from None


def _changed_group(form: Group, old: Any, rest: list[str], text: str) -> Any:
    if old is not None:
        return changed(old, rest, text)
    # The group was left out: the one value given must be all that it needs.
    inner = forms(form.cls)
    if len(rest) != 1 or not isinstance(inner.get(rest[0]), Value):
        raise SettingFault((rest[0],), f"no key {brief(rest[0])}; allowed are {', '.join(inner)}")
    return form.cls(**{rest[0]: _read_text(inner[rest[0]], rest[0], text)})  # type: ignore[arg-type]


def _changed_item(old: tuple[Any, ...], key: str, rest: list[str], text: str) -> tuple[Any, ...]:
    number = int(rest[0]) if rest[0].isdecimal() else 0
    number *= rest[0] == str(number)  # one way to write each, so that no key is set twice
    if not 1 <= number <= len(old) or len(rest) < 2 or not isinstance(old[number - 1], Settings):
        raise SettingFault((key,), f"{key} takes a number from 1 to {len(old)} and a key")
    shape = getattr(old[number - 1], "shape", "")
    what_it_is = f"{key}.{number} is a {shape}: " if shape else ""
    item = changed(old[number - 1], rest[1:], text, what_it_is)
    return (*old[: number - 1], item, *old[number:])


def _leads_nowhere(form: Form, key: str) -> NoReturn:
    if isinstance(form, Value):
        raise SettingFault((key,), f"{key} is one value and has no keys")
    raise SettingFault((key,), f"{key} is not one value; name one inside it")
