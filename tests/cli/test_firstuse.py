"""The word about compiling comes once, and never for commands that compile nothing."""

from __future__ import annotations

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
