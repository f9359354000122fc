"""Threads ahead and behind: order kept, faults handed on, no one left waiting."""

from __future__ import annotations

import subprocess
import sys
import threading

import pytest

from chainkit.pipeline import Behind, Meanwhile, ahead, one_core


def test_items_are_worked_on_in_order():
    done = []
    with Behind(done.append, room=2) as behind:
        for n in range(1000):
            behind.put(n)
    assert done == list(range(1000))


def test_a_fault_of_the_work_comes_out():
    def fail(item):
        if item == 3:
            raise RuntimeError("third")

    def give():
        with Behind(fail) as behind:
            for n in range(100):
                behind.put(n)

    with pytest.raises(RuntimeError, match="third"):
        give()


def test_a_fault_of_the_last_item_comes_out_at_the_end():
    def fail(item):
        raise RuntimeError("last")

    with pytest.raises(RuntimeError, match="last"), Behind(fail) as behind:
        behind.put(1)


def test_leaving_with_an_exception_drops_what_waits():
    started, let_go = threading.Event(), threading.Event()
    done = []

    def slow(item):
        started.set()
        let_go.wait(5)
        done.append(item)

    def give():
        with Behind(slow, room=3) as behind:
            for n in range(3):
                behind.put(n)
            started.wait(5)
            threading.Timer(0.3, let_go.set).start()  # when the block has long been left
            raise KeyError("mine")

    with pytest.raises(KeyError, match="mine"):
        give()
    assert done == [0]


def test_ahead_yields_all_and_hands_on_a_fault():
    assert list(ahead(range(1000), room=3)) == list(range(1000))

    def failing():
        yield 1
        raise RuntimeError("source")

    items = ahead(failing())
    assert next(items) == 1
    with pytest.raises(RuntimeError, match="source"):
        next(items)


def test_ahead_may_be_left_early():
    items = ahead(iter(range(10**9)), room=2)
    assert [next(items) for _ in range(5)] == list(range(5))
    items.close()
    assert threading.active_count() < 20


STORM = """
import signal, sys
from chainkit.pipeline import Behind, ahead

class Stop(Exception):
    pass

def stop(number, frame):
    raise Stop

def again(lost):
    # It fell where Python can only report it, as in the callback of a weak reference.
    signal.setitimer(signal.ITIMER_REAL, 0.001)

sys.unraisablehook = again
signal.signal(signal.SIGALRM, stop)
ended = 0
for n in range(60):
    signal.setitimer(signal.ITIMER_REAL, 0.002 + 0.0007 * (n % 9))
    try:
        with Behind(lambda item: None) as one, Behind(lambda item: None) as other:
            for item in ahead(iter(range(10**9))):
                one.put(item)
                other.put(item)
    except Stop:
        ended += 1
print(ended)
"""


def test_an_exception_of_a_signal_at_any_moment_ends_it():
    run = subprocess.run([sys.executable, "-c", STORM], capture_output=True, text=True, timeout=60)
    assert run.stdout.strip() == "60", run.stderr


def test_a_result_is_worked_out_meanwhile():
    go_on = threading.Event()
    meanwhile = Meanwhile(lambda: go_on.wait(10) and threading.get_ident())
    go_on.set()
    assert meanwhile.result() != threading.get_ident()
    with one_core():
        assert Meanwhile(threading.get_ident).result() == threading.get_ident()


def test_a_fault_meanwhile_comes_out_with_the_result():
    def fail():
        raise RuntimeError("meanwhile")

    meanwhile = Meanwhile(fail)
    with pytest.raises(RuntimeError, match="meanwhile"):
        meanwhile.result()
