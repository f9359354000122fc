"""A process of our own: Ctrl-C reaches the work wherever it falls."""

from __future__ import annotations

import subprocess
import sys

LOST = """
import ctypes, time
from chainkit.process import keep_interrupts

keep_interrupts()

@ctypes.CFUNCTYPE(None)
def callback():
    raise {fault}

callback()
try:
    time.sleep(20)
except KeyboardInterrupt:
    print("interrupted")
"""


def ran(fault, then=""):
    code = LOST.format(fault=fault).replace("time.sleep(20)", then or "time.sleep(20)")
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)


def test_an_interrupt_lost_in_a_callback_comes_again():
    run = ran("KeyboardInterrupt")
    assert (run.stdout, run.stderr) == ("interrupted\n", "")


def test_other_faults_of_callbacks_are_reported_as_ever():
    run = ran("ValueError('lost')", "pass")
    assert "ValueError: lost" in run.stderr
    assert run.stdout == ""
