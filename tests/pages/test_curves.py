"""Curves of a chain, checked by the data on the axes."""

from __future__ import annotations

import math
import struct

import numpy as np
import pytest
import scipy.signal

from chainkit.chain import parse_chain
from chainkit.errors import ChainFileError, OutputError
from chainkit.pages import plots
from chainkit.pages.curves import chain_sheet, draw_chain, split_responses, stage_sheet

CHAIN = """
chainkit: 1
name: Example
stages:
  - ride: {points: [[1 s, 0 dB], [3 s, -4 dB]]}
  - eq:
      bands:
        - {shape: highpass, frequency: 80 Hz, slope: 24 dB/oct}
        - {shape: bell, frequency: 1 kHz, gain: 6 dB, q: 1}
  - deess: {threshold: -34 dB, range: 8 dB}
  - compress: {threshold: -20 dB, ratio: 4:1, knee: 0 dB, attack: 10 ms, release: 100 ms,
               makeup: 3 dB, sidechain: {highpass: 120 Hz}}
  - compress: {name: glue, threshold: -10 dB, ratio: 2:1, mix: 50 %, knee: 0 dB, bypass: yes}
  - gain: {gain: -1 dB}
"""


@pytest.fixture(scope="module")
def sheet():
    return chain_sheet(parse_chain(CHAIN), 48000)


def panel(sheet, title, which=0):
    return [axes for axes in sheet.axes if axes.get_title(loc="left") == title][which]


def bold(axes):
    """The line the panel is about: the widest one."""
    return max(axes.get_lines(), key=lambda line: line.get_linewidth())


def value_at(line, x):
    return float(np.interp(x, line.get_xdata(), line.get_ydata()))


def tables(sheet):
    return [[text.get_text() for text in axes.texts] for axes in sheet.axes if not axes.axison]


def test_stages_stand_in_signal_order_with_all_their_values(sheet):
    found = tables(sheet)
    assert [words[0] for words in found] == [
        "1  ride", "2  eq", "3  deess", "4  compress", "5  glue (compress), bypassed", "6  gain",
    ]  # fmt: skip
    assert found[1][1:] == ["1  highpass", "80 Hz, 24 dB/oct", "2  bell", "1 kHz, 6 dB, q 1"]
    compress = dict(zip(found[3][1::2], found[3][2::2], strict=True))
    assert compress["threshold"] == "−20 dB"
    assert compress["ratio"] == "4:1"
    assert compress["sidechain highpass"] == "120 Hz"


def test_eq_response_is_that_of_scipys_filters(sheet):
    line = bold(panel(sheet, "response"))
    f, level = line.get_xdata(), line.get_ydata()
    highpass = scipy.signal.butter(4, 80, "highpass", fs=48000, output="sos")
    # The cookbook's bell, by its analogue prototype at the prewarped frequencies
    a = 10 ** (6 / 40)
    warped = np.tan(np.pi * f / 48000) / math.tan(math.pi * 1000 / 48000)
    bell = scipy.signal.freqs([1, a, 1], [1, 1 / a, 1], worN=warped)[1]
    expected = 20 * np.log10(np.abs(scipy.signal.sosfreqz(highpass, worN=f, fs=48000)[1] * bell))
    np.testing.assert_allclose(level, expected, atol=1e-5)
    assert f[0] == pytest.approx(20)


def test_eq_bands_are_marked_by_number(sheet):
    marks = {text.get_text(): text.xy for text in panel(sheet, "response").texts}
    assert marks["1"] == (80, pytest.approx(-10 * math.log10(2), abs=1e-6))
    assert marks["2"] == (1000, pytest.approx(6, abs=1e-6))


def test_static_curve_of_the_compressor(sheet):
    """Above a hard knee each 4 dB in give 1 dB out at 4:1; makeup lifts all."""
    line = bold(panel(sheet, "static curve, dBFS"))
    for level, expected in [(-60, -57), (-30, -27), (-20, -17), (-12, -15), (0, -12)]:
        assert value_at(line, level) == pytest.approx(expected, abs=0.05)


def test_static_curve_stops_at_the_range(sheet):
    line = bold(panel(sheet, "static curve, band, dBFS"))
    assert value_at(line, -50) == pytest.approx(-50, abs=1e-9)
    assert value_at(line, -10) == pytest.approx(-18, abs=1e-6)


def test_mix_lets_the_dry_voice_through():
    chain = parse_chain(CHAIN).with_value("glue.bypass", "no")
    line = bold(panel(chain_sheet(chain, 48000), "static curve, dBFS", 1))
    wet = 10 ** (-5 / 20)
    assert value_at(line, 0) == pytest.approx(20 * math.log10(0.5 + 0.5 * wet), abs=1e-6)


def test_step_shows_attack_and_release(sheet):
    line = bold(panel(sheet, "step to 0 dBFS and back"))
    t, gain = line.get_xdata(), line.get_ydata()
    depth, held = -15.0, 0.1
    assert value_at(line, 0.010) == pytest.approx(depth * (1 - math.exp(-1)), abs=0.2)
    assert value_at(line, held + 0.100) == pytest.approx(depth * math.exp(-1), abs=0.1)
    assert gain.min() == pytest.approx(depth, abs=0.01)
    assert np.all(gain[t < 0] == 0)


def test_the_range_bounds_the_step_after_its_smoothing():
    chain = parse_chain(CHAIN).with_value("compress.range", "6 dB")
    line = bold(panel(chain_sheet(chain, 48000), "step to 0 dBFS and back"))
    reached = 0.010 * math.log(15 / 9)  # when −15 (1 − e^(−t/τ)) passes −6
    assert value_at(line, reached * 0.9) == pytest.approx(-5.5, abs=0.2)
    assert value_at(line, reached + 0.002) == -6
    left = 0.1 + 0.100 * math.log(15 / 6)  # when it comes back to −6
    assert value_at(line, left - 0.005) == -6
    assert value_at(line, left + 0.100) == pytest.approx(-6 * math.exp(-1), abs=0.1)


def test_split_curves(sheet):
    # No lower than the range of 8 dB lets it come.
    axes = panel(sheet, "split, linear phase; whole at −8 dB")
    lines = {line.get_label(): line for line in axes.get_lines()}
    assert value_at(lines["turned down"], 12000) == pytest.approx(0, abs=0.01)
    assert value_at(lines["left alone"], 1000) == pytest.approx(0, abs=0.01)
    assert value_at(lines["turned down"], 5500) == pytest.approx(-6.02, abs=0.1)
    assert value_at(lines["whole"], 1000) == pytest.approx(0, abs=0.01)
    assert value_at(lines["whole"], 12000) == pytest.approx(-8, abs=0.01)


@pytest.mark.parametrize("phase", ["linear", "minimum"])
@pytest.mark.parametrize("edge", ["2.5 kHz", "8 kHz"])
def test_no_curve_of_a_split_runs_through_the_words(phase, edge):
    """Of the size that a recall sheet has."""
    settings = f"{{threshold: -30 dB, frequency: {edge}, phase: {phase}}}"
    chain = parse_chain(f"chainkit: 1\nstages:\n  - deess: {settings}\n")
    drawn = stage_sheet(chain.stages[0], 48000, 6.4, 1.75)
    drawn.draw_without_rendering()
    axes = panel(drawn, f"split, {phase} phase; whole at −12 dB")
    boxes = [text.get_window_extent() for text in axes.get_legend().get_texts()]
    for line in axes.get_lines():
        x, y = np.broadcast_arrays(*line.get_data())
        points = line.get_transform().transform(np.column_stack([x, y]))
        assert not any(box.contains(*point) for box in boxes for point in points)


@pytest.mark.parametrize("upper", [None, 9000.0])
def test_parts_of_a_split_add_up(upper):
    f = np.geomspace(50, 23000, 200)
    rest, band = split_responses(5500.0, upper, "linear", f, 48000)
    np.testing.assert_allclose(rest + band, 1, atol=1e-15)
    rest, band = split_responses(5500.0, upper, "minimum", f, 48000)
    np.testing.assert_allclose(np.abs(rest + band), 1, atol=1e-12)
    assert np.abs(band[f < 1000]).max() < 1e-3


def test_ride_is_held_at_both_ends(sheet):
    line = bold(panel(sheet, "level moves"))
    assert value_at(line, 0.9) == 0
    assert value_at(line, 2.0) == pytest.approx(-2)
    assert line.get_ydata()[-1] == -4


def test_a_bypassed_stage_has_no_curves(sheet):
    assert len(sheet.axes) == 6 + 1 + 1 + 2 + 2


def test_notch_and_extreme_rates_draw():
    text = """
chainkit: 1
stages:
  - eq: {bands: [{shape: notch, frequency: 50 Hz}]}
  - deess: {threshold: -30 dB, frequency: 2 kHz, phase: minimum, sense: share}
"""
    for rate in (8000, 384000):
        drawn = chain_sheet(parse_chain(text), rate)
        assert panel(drawn, "response").get_xlim() == (20, min(20000, rate / 2))
        assert bold(panel(drawn, "response")).get_ydata().min() < -10


def test_empty_chain_draws():
    assert chain_sheet(parse_chain("chainkit: 1\nstages: []"), 48000).axes == []


def test_a_frequency_beyond_the_rate_names_its_place():
    text = "chainkit: 1\nstages:\n  - eq: {bands: [{shape: bell, frequency: 9 kHz, gain: 1 dB}]}"
    with pytest.raises(ChainFileError, match=r"here\.yaml:3:.*9 kHz is not below half"):
        chain_sheet(parse_chain(text, "here.yaml"), 16000)


def test_draw_chain_writes_a_png_once(tmp_path):
    path = tmp_path / "chain.png"
    chain = parse_chain("chainkit: 1\nstages: [{gain: {gain: 1 dB}}]")
    draw_chain(chain, 48000, path)
    width, _ = struct.unpack(">II", path.read_bytes()[16:24])
    assert width == round(9.6 * plots.DPI)
    with pytest.raises(OutputError, match="exists already"):
        draw_chain(chain, 48000, path)
