"""The player's schedule, rendered offline by the browser and read back sample by sample.

Each sample of the made files tells its own lane, view and frame, so the output says what sounded.
"""

from __future__ import annotations

import numpy as np
import pytest

pytestmark = pytest.mark.browser

RATE = 8000
FRAMES = 10_000
PART = 2000
LANES, VIEWS = 3, 2
CODES = LANES * VIEWS * FRAMES
FADE = 64  # frames of 8 ms
LEAD = 200  # frames of 25 ms
QUANTUM = 128  # frames between two looks of an audio context at its graph

RENDER = """async ({rate, frames, part, lanes, views, codes, seconds, script, late}) => {
  const decoder = new OfflineAudioContext(1, 1, rate);
  const buffer = (lane, view, number) => {
    const length = Math.min(part, frames - number * part);
    const made = decoder.createBuffer(1, length, rate);
    const first = ((lane * views + view) * frames) + number * part + 1;
    made.copyToChannel(Float32Array.from({ length }, (_, n) => (first + n) / 65536), 0);
    return made;
  };
  const context = new OfflineAudioContext(1, rate * seconds, rate);
  const store = {
    rate, frames, partFrames: part, channels: Array(views).fill(1),
    partOf: AudioStore.prototype.partOf,
    holds: AudioStore.prototype.holds,
    request(wanted) { this.first = wanted.next().value; },
    get(lane, view, number) {
      const missing = number >= late.part && context.currentTime < late.until;
      return missing ? undefined : buffer(lane, view, number);
    },
  };
  const tested = new Player(store, lanes);
  tested.attach(context, context.destination);
  const log = [];
  const act = () => {
    const time = Math.round(context.currentTime * rate);
    while (script.length && script[0][0] <= time) {
      const [, name, ...values] = script.shift();
      tested[name](...values);
    }
    tested.pump();
    log.push([time, tested.position, tested.playing, tested.waiting]);
  };
  act();
  for (let time = 512; time < rate * seconds; time += 512) {
    context.suspend(time / rate).then(() => { act(); context.resume(); });
  }
  const rendered = await context.startRendering();
  return { samples: [...rendered.getChannelData(0)], log, waits: tested.waits };
}"""


@pytest.fixture
def render(scripts):
    def run(*script, seconds=2, late=(FRAMES, 0.0)):
        setting = {
            "rate": RATE,
            "frames": FRAMES,
            "part": PART,
            "lanes": LANES,
            "views": VIEWS,
            "codes": CODES,
            "seconds": seconds,
            "script": script,
            "late": {"part": late[0], "until": late[1]},
        }
        return scripts.evaluate(RENDER, setting)

    return run


def code(lane, view, frames):
    """What the files hold at `frames`."""
    return ((lane * VIEWS + view) * FRAMES + np.asarray(frames) + 1) / 65536


def crossed(before, after):
    """Straight, equal-gain crossover from one signal to another."""
    weight = np.arange(len(before)) / FADE
    return (1 - weight) * before + weight * after


def test_parts_join_without_a_seam(render):
    y = np.array(render([0, "play"])["samples"])
    begin = LEAD
    played = np.arange(FRAMES)
    assert not y[:begin].any()
    assert np.array_equal(y[begin + FADE : begin + FRAMES], code(0, 0, played)[FADE:])
    assert not y[begin + FRAMES :].any()


def test_playing_fades_in(render):
    y = np.array(render([0, "play"])["samples"])[LEAD : LEAD + FADE]
    assert y == pytest.approx(crossed(np.zeros(FADE), code(0, 0, np.arange(FADE))), abs=1e-6)


def test_a_switch_keeps_the_position_to_the_frame(render):
    y = np.array(render([0, "play"], [2560, "select", 2])["samples"])
    at = 2560 + LEAD
    frames = np.arange(2 * RATE) - LEAD
    before, after = slice(LEAD + FADE, at), slice(at + FADE, LEAD + FRAMES)
    across = slice(at, at + FADE)
    assert np.array_equal(y[before], code(0, 0, frames[before]))
    assert np.array_equal(y[after], code(2, 0, frames[after]))
    mixed = crossed(code(0, 0, frames[across]), code(2, 0, frames[across]))
    assert y[across] == pytest.approx(mixed, abs=1e-6)


def test_quick_switches_wait_for_one_another(render):
    y = np.array(render([0, "play"], [2560, "select", 1], [2560, "select", 2])["samples"])
    frames = np.arange(2 * RATE) - LEAD
    for lanes, at in (((0, 1), 2560 + LEAD), ((1, 2), 2560 + LEAD + FADE)):
        across = slice(at, at + FADE)
        mixed = crossed(*(code(lane, 0, frames[across]) for lane in lanes))
        assert y[across] == pytest.approx(mixed, abs=1e-6)


def test_another_view_goes_on_at_the_same_frame(render):
    y = np.array(render([0, "select", 1], [0, "play"], [2560, "show", 1])["samples"])
    at = 2560 + LEAD
    frames = np.arange(2 * RATE) - LEAD
    before, after = slice(LEAD + FADE, at), slice(at + FADE, LEAD + FRAMES)
    across = slice(at, at + FADE)
    assert np.array_equal(y[before], code(1, 0, frames[before]))
    assert np.array_equal(y[after], code(1, 1, frames[after]))
    mixed = crossed(code(1, 0, frames[across]), code(1, 1, frames[across]))
    assert y[across] == pytest.approx(mixed, abs=1e-6)


def test_a_loop_comes_round_to_the_frame_and_switches_within(render):
    loop = {"begin": 1500, "end": 2600}
    y = np.array(render([0, "repeat", loop], [0, "play"], [4096, "select", 1])["samples"])
    passed = np.arange(len(y)) - LEAD
    frames = loop["begin"] + passed % 1100
    steady = (passed >= 0) & (passed % 1100 >= FADE)
    at = 4096 + LEAD
    time = np.arange(len(y))
    first, second = steady & (time < at), steady & (time >= at + FADE)
    assert np.array_equal(y[first], code(0, 0, frames[first]))
    assert np.array_equal(y[second], code(1, 0, frames[second]))
    seam = slice(LEAD + 1100, LEAD + 1100 + FADE)
    onward = code(0, 0, loop["end"] + np.arange(FADE))
    assert y[seam] == pytest.approx(crossed(onward, code(0, 0, frames[seam])), abs=1e-6)


def test_a_loop_taken_away_lets_it_go_on(render):
    loop = {"begin": 1500, "end": 2600}
    y = np.array(render([0, "repeat", loop], [0, "play"], [512, "repeat", None])["samples"])
    time = np.arange(LEAD + FADE, LEAD + FRAMES - 1500)
    assert np.array_equal(y[time], code(0, 0, 1500 + time - LEAD))


def test_a_loop_drawn_while_playing_bounds_what_is_scheduled(render):
    loop = {"begin": 1000, "end": 2000}
    y = np.array(render([0, "play"], [1536, "repeat", loop])["samples"])
    seam = LEAD + 2000
    assert np.array_equal(y[LEAD + FADE : seam], code(0, 0, np.arange(FADE, 2000)))
    assert np.array_equal(y[seam + FADE : seam + 1000], code(0, 0, np.arange(1000 + FADE, 2000)))


def test_going_elsewhere_crosses_over(render):
    y = np.array(render([0, "play"], [2560, "seek", 4000])["samples"])
    at = 2560 + LEAD
    before = code(0, 0, at - LEAD + np.arange(FADE))
    after = code(0, 0, 4000 + np.arange(FADE))
    assert y[at : at + FADE] == pytest.approx(crossed(before, after), abs=1e-6)
    onward = np.arange(4000 + FADE, FRAMES)
    assert np.array_equal(y[at + FADE : at + FADE + len(onward)], code(0, 0, onward))


def test_pausing_and_going_on_loses_no_frame(render):
    y = np.array(render([0, "play"], [2560, "pause"], [4096, "play"])["samples"])
    stop, again = 2560 + LEAD, 4096 + LEAD
    onward = np.arange(stop - LEAD, FRAMES)
    assert not y[stop + FADE : again].any()
    assert np.array_equal(y[again + FADE : again + len(onward)], code(0, 0, onward[FADE:]))


def test_audio_that_is_late_is_waited_for_and_loses_no_frame(render):
    run = render([0, "play"], seconds=3, late=(4, 1.5))
    y = np.array(run["samples"])
    waiting = [time for time, _, _, waits in run["log"] if waits]
    held = next(position for time, position, *_ in run["log"] if time == waiting[0])
    again = 12_288 + LEAD  # the first look at the schedule after 1.5 s
    onward = np.arange(held, FRAMES)
    assert run["waits"] == 1
    assert waiting == list(range(waiting[0], 12_288, 512))
    assert held < 8000  # where the missing part begins
    assert np.array_equal(y[LEAD + FADE : LEAD + held], code(0, 0, np.arange(FADE, held)))
    assert np.array_equal(y[again + FADE : again + len(onward)], code(0, 0, onward[FADE:]))


def test_the_position_is_the_frame_that_sounds(render):
    run = render([0, "play"], [2560, "select", 1])
    y = np.array(run["samples"])
    settled = [(time, frame) for time, frame, *_ in run["log"] if 2560 + 512 <= time < 6000]
    assert len(settled) > 4
    for time, frame in settled:
        assert y[time] == code(1, 0, frame)


def test_it_stops_at_the_end_and_stands_at_the_beginning(render):
    *_, last = render([0, "play"])["log"]
    assert last[1:] == [0, False, False]
