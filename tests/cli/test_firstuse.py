"""The word about compiling comes once, and never for commands that compile nothing."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from chainkit.cli.firstuse import tell_of_compiling


@pytest.mark.parametrize(
    ("command", "name", "said"),
    [
        ("render", None, True),
        ("render", "cascade-46.py311.nbi", False),
        ("render", "notes.txt", True),
        ("check", None, False),
    ],
)
def test_the_word_is_said_while_the_cache_is_empty(
    tmp_path, monkeypatch, capsys, command, name, said
):
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    if name:
        (tmp_path / name).touch()
    tell_of_compiling(command)
    assert ("compiling its loops, once" in capsys.readouterr().err) is said


def test_a_read_only_install_uses_the_user_s_cache(tmp_path, monkeypatch, capsys):
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    monkeypatch.setattr("chainkit.cli.firstuse.__file__", str(tmp_path / "no/cli/firstuse.py"))
    tell_of_compiling("render")
    assert "compiling" in capsys.readouterr().err
    (tmp_path / "numba" / "dsp_0a1b2c").mkdir(parents=True)
    tell_of_compiling("render")
    assert capsys.readouterr().err == ""


def test_where_nothing_can_be_kept_each_use_compiles(tmp_path, monkeypatch, capsys):
    file = tmp_path / "a file"
    file.touch()
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(file / "below"))  # not even root can make it
    tell_of_compiling("render")
    folder = Path(os.environ["NUMBA_CACHE_DIR"])
    assert "each time" in capsys.readouterr().err
    assert folder.is_dir()
    assert folder.stat().st_mode & 0o077 == 0
    folder.rmdir()
