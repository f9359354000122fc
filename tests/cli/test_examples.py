"""The examples run as they stand, from the root of the checkout."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
EXAMPLES = ROOT / "examples"
FIRST_FILES = ("voice.wav", "chain.yaml", "rendered.wav", "close.wav", "mine.wav")


def run(words, folder):
    """Run an example in the checkout's root, with this interpreter's commands ahead on the path."""
    scripts = Path(sys.executable).parent
    environment = os.environ | {"PATH": f"{scripts}{os.pathsep}{os.environ['PATH']}"}
    return subprocess.run(
        [*words, str(folder)],
        cwd=ROOT,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )


def test_first_render(tmp_path):
    done = run(["sh", "examples/first_render.sh"], tmp_path / "first")
    assert done.returncode == 0, done.stderr
    assert "identical" in done.stdout
    assert all((tmp_path / "first" / name).exists() for name in FIRST_FILES)


def test_order_of_stages(tmp_path):
    done = run([sys.executable, "examples/order_of_stages.py"], tmp_path / "order")
    assert done.returncode == 0, done.stderr
    residual = float(done.stdout.split("loudness:")[1].split("dB")[0])
    # The two orders differ audibly, and are still the same voice.
    assert -40.0 < residual < -3.0


def test_python_api(tmp_path):
    done = run([sys.executable, "examples/python_api.py"], tmp_path / "api")
    assert done.returncode == 0, done.stderr
    assert "the same bits: True" in done.stdout


@pytest.mark.parametrize("path", sorted(EXAMPLES.glob("*.[ps][yh]")), ids=lambda path: path.name)
def test_each_example_is_listed(path):
    assert path.name in (EXAMPLES / "README.md").read_text("utf-8")
