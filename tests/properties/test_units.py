"""Quantities: each reads back what it shows, and refuses what has no unit."""

from __future__ import annotations

import math

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from chainkit import units
from chainkit.units import FREQUENCY, GAIN, LEVEL, LOUDNESS, RATIO, SHARE, TIME, nearest


@pytest.mark.parametrize(
    ("quantity", "text", "value"),
    [
        (FREQUENCY, "5.5 kHz", 5500.0),
        (FREQUENCY, "80Hz", 80.0),
        (FREQUENCY, "1e3 hz", 1000.0),
        (GAIN, "-3.5 dB", -3.5),
        (GAIN, "+3 db", 3.0),
        (LEVEL, "-34 dBFS", -34.0),
        (TIME, "120 ms", 0.120),
        (TIME, "0.5 s", 0.5),
        (TIME, "250 us", 0.00025),
        (SHARE, "30 %", 0.3),
        (LOUDNESS, "-20 LUFS", -20.0),
        (RATIO, "4:1", 4.0),
        (RATIO, "2.5 : 1", 2.5),
        (RATIO, "8:2", 4.0),
        (RATIO, "inf", math.inf),
        (RATIO, "inf:1", math.inf),
    ],
)
def test_reads(quantity, text, value):
    assert quantity.parse(text) == pytest.approx(value, rel=1e-15)


@pytest.mark.parametrize(
    ("quantity", "text", "message"),
    [
        (FREQUENCY, "5500", "write '5500 Hz' or '5500 kHz'"),
        (GAIN, "-3", "write '3 dB' or '-3 dB'"),
        (TIME, "10", "write '10 ms' or '10 s'"),
        (LOUDNESS, "-20", "write '-20 LUFS' or '20 LUFS'"),
        (RATIO, "4", "write '4:1' or 'inf'"),
        (RATIO, "4:0", "divides by zero"),
        (FREQUENCY, "5 kHs", "did you mean 'kHz'"),
        (FREQUENCY, "5 dB", r"no unit of frequency \(Hz, kHz\)"),
        (FREQUENCY, "soon", "is not a frequency"),
        (TIME, "1e400 s", "out of range"),
        (FREQUENCY, "8,000 Hz", "parts thousands or decimals; write '8000 Hz' or '8 Hz'$"),
        (FREQUENCY, "2,250kHz", "write '2250 kHz' or '2.25 kHz'$"),
        (GAIN, "-1,500", "write '-1500' or '-1.5'$"),
        (GAIN, "1,5 dB", "has a decimal comma; write a point$"),
        (GAIN, "1.5,500 dB", "has a decimal comma; write a point$"),
        (GAIN, "0x10 dB", "is not a gain: '0x10' is not a decimal number$"),
        (GAIN, "1_0 dB", "is not a gain: '1_0' is not a decimal number$"),
        (FREQUENCY, "1.2.3 KHZ", "is not a frequency: '1.2.3' is not a decimal number$"),
        (GAIN, "10 dBx", r"has no unit of gain \(dB\)"),
        (TIME, "nan s", "is not a time"),
        (TIME, "", "is not a time"),
    ],
)
def test_refuses(quantity, text, message):
    with pytest.raises(ValueError, match=message):
        quantity.parse(text)


@pytest.mark.parametrize(
    ("quantity", "text", "low", "high", "message"),
    [
        (GAIN, "1e400 dB", -120.0, 60.0, "is not between -120 dB and 60 dB"),
        (LOUDNESS, "9", -30.0, -4.0, "has no unit; write '-9 LUFS'"),
        (LOUDNESS, "99", -30.0, -4.0, "has no unit; write '-30 LUFS' to '-4 LUFS'"),
        (FREQUENCY, "5500", 8e3, 384e3, "has no unit; write '8 kHz' to '384 kHz'"),
        (FREQUENCY, "48", 8e3, 384e3, "has no unit; write '48 kHz'"),
        (GAIN, "deep", 0.0, 24.0, "is not a gain; write it like '3 dB'"),
        (SHARE, "60", 0.0, 1.0, "has no unit; write '60 %' or '100 %'"),
        (RATIO, "0.5", 1.0, math.inf, "is not a ratio; write '1:1' to 'inf'"),
    ],
)
def test_offers_nothing_out_of_bounds(quantity, text, low, high, message):
    with pytest.raises(ValueError, match=f"^{message}$"):
        quantity.parse(text, low, high)


@pytest.mark.parametrize(
    ("quantity", "value", "text"),
    [
        (FREQUENCY, 5500.0, "5.5 kHz"),
        (FREQUENCY, 999.5, "999.5 Hz"),
        (TIME, 0.0005, "0.5 ms"),
        (TIME, 1.5, "1.5 s"),
        (TIME, 0.0, "0 s"),
        (TIME, 1e-9, "0.000001 ms"),
        (TIME, 1e-10, "1e-7 ms"),
        (SHARE, 1.0, "100 %"),
        (SHARE, 0.07 * 3, "21.000000000000002 %"),
        (RATIO, 3.0, "3:1"),
        (RATIO, math.inf, "inf"),
    ],
)
def test_shows(quantity, value, text):
    assert quantity.format(value) == text


@given(
    st.sampled_from([FREQUENCY, TIME, GAIN, LEVEL, LOUDNESS, RATIO, SHARE, units.BANDWIDTH]),
    st.floats(-1e9, 1e9, allow_subnormal=False) | st.floats(0.0, 1.0, allow_subnormal=False),
)
@example(SHARE, 0.07 * 3)
@example(SHARE, 0.08179036295659281)
def test_what_is_shown_reads_back_exactly(quantity, value):
    assert quantity.parse(quantity.format(value)) == value


def test_nearest_names_a_near_word_only():
    assert nearest("ration", ["ratio", "attack"]) == "; did you mean 'ratio'?"
    assert nearest("zzz", ["ratio", "attack"]) == ""
