"""A process of our own: signals end the work wherever they fall, and let it tidy up."""

from __future__ import annotations

import signal
import subprocess
import sys

import pytest

SIGNALS = [signal.SIGINT, signal.SIGTERM, signal.SIGHUP]

LOST = """
import ctypes, os, signal, sys, time
from chainkit.leaving import leave_on_signals

leave_on_signals()

@ctypes.CFUNCTYPE(None)
def callback():
    {fault}

callback()
try:
    time.sleep({then})
except BaseException as ended:
    print(type(ended).__name__, *ended.args)
"""

IN_NUMBA = """
import os, sys, threading, time
from numba.core.compiler_lock import global_compiler_lock as numba_s
from chainkit.leaving import leave_on_signals

class Interrupting:
    # As the lock itself; the signal comes when it is taken, and numba has yet to note that.
    def acquire(self):
        lock.acquire()
        if threading.current_thread() is threading.main_thread():
            os.kill(os.getpid(), int(sys.argv[1]))
            os.kill(os.getpid(), int(sys.argv[1]))

    def release(self):
        lock.release()

lock, numba_s._lock = numba_s._lock, Interrupting()
leave_on_signals()
try:
    with numba_s:
        time.sleep(20)
except BaseException as ended:
    print(type(ended).__name__, *ended.args)
    time.sleep(0.05)  # no second one comes
other = threading.Thread(target=lambda: print(lock.acquire(timeout=1)))
other.start()
other.join()
"""

TIDYING = """
import os, signal
from chainkit.leaving import leave_on_signals

leave_on_signals()
try:
    os.kill(os.getpid(), signal.SIGHUP)
finally:
    os.kill(os.getpid(), signal.SIGHUP)
    os.kill(os.getpid(), signal.SIGTERM)
    print("tidy")
"""

IGNORED = """
import os, signal
from chainkit.leaving import leave_on_signals

signal.signal(signal.SIGHUP, signal.SIG_IGN)
leave_on_signals()
os.kill(os.getpid(), signal.SIGHUP)
print("went on")
"""


def ran(code, *words):
    command = [sys.executable, "-c", code, *map(str, words)]
    return subprocess.run(command, capture_output=True, text=True, timeout=60)


def left(number):
    """How a process tells that it leaves on a signal."""
    ctrl_c = number == signal.SIGINT
    return "KeyboardInterrupt" if ctrl_c else f"SystemExit {128 + number}"


@pytest.mark.parametrize("number", SIGNALS)
def test_a_signal_lost_in_a_callback_comes_again(number):
    run = ran(LOST.format(fault=f"os.kill(os.getpid(), {number:d})", then=20))
    assert (run.stdout, run.stderr) == (f"{left(number)}\n", "")


@pytest.mark.parametrize("fault", ["raise ValueError('lost')", "sys.exit('lost')"])
def test_other_faults_of_callbacks_are_reported_as_ever(fault):
    run = ran(LOST.format(fault=fault, then=0))
    assert ": lost" in run.stderr
    assert run.stdout == ""


@pytest.mark.parametrize("number", SIGNALS)
def test_a_signal_waits_until_numba_has_its_lock_in_hand(number):
    """Left locked, it would let our other threads wait for ever."""
    run = ran(IN_NUMBA, number)
    assert (run.stdout, run.stderr) == (f"{left(number)}\nTrue\n", "")


def test_a_second_signal_does_not_end_the_tidying_up():
    run = ran(TIDYING)
    assert (run.returncode, run.stdout, run.stderr) == (128 + signal.SIGHUP, "tidy\n", "")


def test_a_signal_that_is_ignored_stays_so():
    run = ran(IGNORED)
    assert (run.returncode, run.stdout, run.stderr) == (0, "went on\n", "")
