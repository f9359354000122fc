"""A record's songs on one core and on two, and ended at random.

``python tests/benchmarks/songs.py [--songs 40 --seconds 240]``

Makes a record of invented songs in a temporary folder and prints the time of one and of two jobs,
their ratio, and the memory of all processes together; then ends runs at random moments, takes them
up, and compares the bits with those of the undisturbed run. 40 songs of 240 s are the full size,
and take some minutes. On a machine that is busy with other things the processor time tells more
than the clock.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import os
import pathlib
import signal
import subprocess
import sys
import tempfile
import time

import numpy as np
import soundfile

from chainkit.dsp.voice import sing

RATE = 48000
BASES = 4
CHAIN = """\
chainkit: 1
working_level: -24 LUFS
stages:
  - eq:
      bands:
        - {shape: highpass, frequency: 80 Hz, slope: 24 dB/oct}
        - {shape: bell, frequency: 280 Hz, gain: -3 dB, q: 2}
        - {shape: high_shelf, frequency: 8 kHz, gain: 2 dB, q: 0.7}
  - deess: {frequency: 5.5 kHz, threshold: -40 dB, ratio: 4:1, range: 8 dB}
  - compress: {threshold: -26 dB, ratio: 3:1, makeup: match}
"""
SONGS = [sys.executable, "-m", "chainkit.cli.main", "songs", "book.yaml"]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--songs", type=int, default=12, help="how many (default 12)")
    parser.add_argument("--seconds", type=float, default=60.0, help="length of each (default 60)")
    parser.add_argument("--ends", type=int, default=10, help="how many runs to end (default 10)")
    parser.add_argument("--seed", type=int, default=1, help="of the moments at which they end")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="chainkit-") as folder:
        os.chdir(folder)
        make_record(options.songs, options.seconds)
        print(
            f"{options.songs} songs of {options.seconds:g} s, {len(os.sched_getaffinity(0))} cores"
        )
        started(1, "--only", "Song 1").wait()  # compiles, where nothing is compiled yet
        one, two = timed(1, "one job"), timed(2, "two jobs")
        print(f"speed-up of two cores: {one / two:.2f}")
        print(f"nothing to do: {timed(2, 'again', '--dry-run'):.1f} s")
        end_at_random(options.ends, two, np.random.default_rng(options.seed))


def make_record(count: int, seconds: float) -> None:
    pathlib.Path("lead.yaml").write_text(CHAIN)
    lines = ["chainkit: 1", "chains: {lead: lead.yaml}", "songs:"]
    bases = [sing(RATE, seconds=seconds, seed=seed).voice for seed in range(1, BASES + 1)]
    for n in range(1, count + 1):
        soundfile.write(f"{n}.wav", bases[n % BASES] * (1 - n / 1000), RATE, "FLOAT")
        lines.append(f"  - {{title: Song {n}, voices: [{{role: lead, file: {n}.wav}}]}}")
    pathlib.Path("book.yaml").write_text("\n".join(lines) + "\n")


def timed(jobs: int, name: str, option: str = "--force") -> float:
    """Seconds of a run; prints them with the greatest memory of all its processes together."""
    start, used = time.perf_counter(), processor_time()
    run = started(jobs, option)
    most = 0
    while run.poll() is None:
        most = max(most, memory_of_group(run.pid))
        time.sleep(0.5)  # looking takes a core some milliseconds, and both are at work
    seconds = time.perf_counter() - start
    if run.returncode:
        sys.exit(f"a run failed with {run.returncode}")
    used = processor_time() - used
    memory = f"{most / 2**20:.0f} MiB in all processes"
    print(f"{name}: {seconds:.1f} s, {used:.1f} s of processor time, {memory}", flush=True)
    return seconds


def started(jobs: int, *options: str) -> subprocess.Popen[bytes]:
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    return subprocess.Popen([*SONGS, "--jobs", str(jobs), *options], **quiet, process_group=0)


def processor_time() -> float:
    """Seconds that all processes started so far and waited for have used."""
    times = os.times()
    return times.children_user + times.children_system


def memory_of_group(group: int) -> int:
    """Bytes of all processes of the group, shared pages divided among those that share them."""
    total = 0
    for folder in pathlib.Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError, ValueError, IndexError):
            if int((folder / "stat").read_text().rsplit(")", 1)[1].split()[2]) == group:
                rollup = (folder / "smaps_rollup").read_text()
                total += 1024 * int(rollup.split("Pss:")[1].split()[0])
    return total


def end_at_random(times: int, seconds: float, rng: np.random.Generator) -> None:
    """End runs at random moments; whatever stands under a final name must be complete."""
    undisturbed = hashes()
    for path in undisturbed:
        path.unlink()
    for _ in range(times):
        run = started(2)
        time.sleep(rng.uniform(0.0, 1.3 * seconds / times + 2.0))
        os.kill(run.pid, signal.SIGKILL)
        run.wait()
        while memory_of_group(run.pid):
            time.sleep(0.02)
        found = hashes()
        partial = [path for path in found if found[path] != undisturbed[path]]
        if partial:
            sys.exit(f"partial under a final name: {partial}")
        print(f"ended with {len(found) // 2} songs done", flush=True)
    started(2).wait()
    left = list(pathlib.Path().rglob(".chainkit-*"))
    print(f"same bits in the end: {hashes() == undisturbed}; left behind: {len(left)} files")


def hashes() -> dict[pathlib.Path, str]:
    outputs = [*pathlib.Path("rendered").rglob("*.wav"), *pathlib.Path("rendered").rglob("*.csv")]
    return {path: hashlib.sha256(path.read_bytes()).hexdigest() for path in outputs}


if __name__ == "__main__":
    main()
