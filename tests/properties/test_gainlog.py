"""The gain-reduction log: rows and statistics, whatever the blocks; the detail file streams."""

from __future__ import annotations

import io
import zipfile

import numpy as np
import pytest
from naive_rows import naive_gain_rows
from signals import bursts

from chainkit import Chain, Compress, Deess, Eq, Gain
from chainkit.chain.stream import ChainStream
from chainkit.dsp.kernels_rows import gain_rows
from chainkit.errors import UsageError
from chainkit.gainlog import DetailLog, GainLog, read_log
from chainkit.gainlog.summary import RowLevels, Summary, inside_and_outside
from chainkit.stages.eq import Bell, Highpass, HighShelf

CHAIN = Chain(
    [
        Gain(gain=-2.0),
        Eq(bands=(HighShelf(frequency=8000.0, gain=6.0),)),
        Deess(threshold=-40.0),
        Compress(threshold=-30.0, ratio=4.0, lookahead=0.005, makeup=4.0),
    ]
)


def logged(x, size, hop=480, file=None):
    stream = ChainStream(CHAIN, 48000, x.shape[1])
    log = GainLog(stream, hop, file)
    for n in range(0, len(x), size):
        block = x[n : n + size]
        log.add(block, stream.process(block))
    log.add(x[:0], stream.finish())
    log.finish()
    return log


@pytest.mark.parametrize("size", [1, 479, 480, 481, 5000, 20_011])
def test_rows_and_statistics_do_not_depend_on_blocks(rng, size):
    x = bursts(rng, 20_011, 2)[: 3_000 if size == 1 else None]
    whole, pieces = io.StringIO(newline=""), io.StringIO(newline="")
    one, other = logged(x, len(x), file=whole), logged(x, size, file=pieces)
    assert whole.getvalue() == pieces.getvalue()
    assert one.statistics() == other.statistics()
    events = [(0.05, 0.12), (0.3, 0.34)]
    assert one.inside_and_outside(events) == other.inside_and_outside(events)


def test_what_filters_leave_of_silence_is_silent(rng):
    """A bell rings on in the silence behind a sound, which a high-pass leaves in another way."""
    x = bursts(rng, 4_800)
    x = np.concatenate([x, np.zeros((48_000, 1))])
    bands = (Highpass(frequency=80.0), Bell(frequency=200.0, gain=4.0, q=8.0))
    text = io.StringIO(newline="")
    stream = Chain([Eq(bands=bands[:1]), Eq(bands=bands[1:])]).stream(48000, 1)
    log = GainLog(stream, 480, text)
    for block, passage in stream.passages([x]):
        log.add(block, passage)
    log.finish()
    rows = np.genfromtxt(text.getvalue().splitlines(), delimiter=",", names=True)
    assert np.abs(rows["eq2_db"]).max() < 120.0
    assert (rows["eq2_db"][-20:] == 0.0).all()


def test_every_frame_is_in_one_row(rng):
    x = bursts(rng, 1_000)
    text = io.StringIO(newline="")
    logged(x, 300, hop=480, file=text)
    rows = text.getvalue().splitlines()
    assert rows[0] == "frame,seconds,in_dbfs,gain_db,eq_db,deess_db,compress_db,out_dbfs"
    assert [int(row.split(",")[0]) for row in rows[1:]] == [0, 480, 960]


def test_statistics_are_those_of_the_reduction(rng):
    x = bursts(rng, 20_000)
    log = logged(x, 4096)
    stream = ChainStream(CHAIN, 48000, 1)
    parts = [stream.process(x).taps[3].gain, stream.finish().taps[3].gain]
    reduction = 4.0 - np.concatenate(parts)[:, 0]
    found = log.statistics()["compress"]
    assert found.greatest == pytest.approx(reduction.max(), abs=1e-9)
    assert found.mean == pytest.approx(reduction.mean(), abs=1e-9)
    assert found.p95 == pytest.approx(np.percentile(reduction, 95), abs=0.02)
    assert found.share_above_1_db == pytest.approx(np.mean(reduction > 1.0), abs=1e-12)
    assert "eq" not in log.statistics()
    assert "gain" not in log.statistics()


def test_reduction_inside_and_outside_events():
    x = np.full((48_000, 1), 10 ** (-50 / 20))
    x[12_000:24_000] = 10 ** (-10 / 20)
    # Half the sample rate: a constant magnitude, all of it in the de-esser's band.
    x[1::2] *= -1
    log = logged(x, 4096)
    inside, outside = log.inside_and_outside([(0.3, 0.5)])["deess"]
    assert inside > 5.0
    assert outside < inside / 2


def test_an_event_begins_and_ends_at_the_nearest_row(rng):
    log = logged(bursts(rng, 20_000), 4096)
    found = log.inside_and_outside([(0.1, 0.2)])
    assert log.inside_and_outside([(0.0979, 0.2021)]) == found
    assert log.inside_and_outside([(0.1021, 0.1979)]) == found
    assert log.inside_and_outside([(0.09, 0.2)]) != found


def test_outside_events_only_what_sounds_counts():
    """Rows from 50 dB below the loudest one on are silence, whatever a stage does in them."""
    levels, summary = RowLevels(), Summary(idle=2.0)
    levels.add(np.array([-30.0, -10.0, -12.0, -59.9, -60.1, -np.inf]))
    summary.add(np.repeat(2.0 - np.array([20.0, 8.0, 4.0, 2.0, 30.0, 40.0]), 10)[:, None], 10)
    found = inside_and_outside({"compress": summary}, levels, [(1, 2), (5, 6)])
    assert found["compress"] == pytest.approx(((8.0 + 40.0) / 2, (20.0 + 4.0 + 2.0) / 3))


@pytest.mark.parametrize("lanes", [1, 3])
def test_gain_rows_agree_with_their_slow_twin(rng, lanes):
    gain, hop, idle = 2.0 - 8 * rng.random((1_000, lanes)), 96, 1.5
    gain[96:192] = idle
    low, mean = np.empty((2, 11))
    totals, histogram = np.array([0.0, -np.inf, 0.0]), np.zeros(500, dtype=np.int64)
    gain_rows(gain, idle, hop, low, mean, histogram, totals)
    expected_low, expected_mean, expected_totals, expected_histogram = naive_gain_rows(
        gain, idle, hop, 500
    )
    np.testing.assert_array_equal(low, expected_low)
    np.testing.assert_allclose(mean, expected_mean, rtol=0, atol=1e-12)
    np.testing.assert_allclose(totals, expected_totals, rtol=1e-12)
    np.testing.assert_array_equal(histogram, expected_histogram)


def test_levels_are_peaks_and_of_the_eq_the_change_of_power(rng):
    x = rng.standard_normal((1_000, 2)) * 0.1
    text = io.StringIO(newline="")
    logged(x, 333, hop=96, file=text)
    rows = np.genfromtxt(text.getvalue().splitlines(), delimiter=",", names=True)
    pieces = [x[n : n + 96] for n in range(0, 1_000, 96)]
    peaks = [20 * np.log10(np.abs(piece).max()) for piece in pieces]
    np.testing.assert_allclose(rows["in_dbfs"], peaks, atol=6e-5)
    eq = CHAIN.stages[1].start(48000, 2)
    before = x * 10 ** (-2.0 / 20)
    after = np.concatenate([eq.process(before)[0], eq.finish()[0]])
    power = [np.mean(y[n : n + 96] ** 2) for y in (before, after) for n in range(0, 1_000, 96)]
    change = 10 * np.log10(np.array(power[11:]) / power[:11])
    np.testing.assert_allclose(rows["eq_db"], change, atol=6e-5)


def test_the_detail_file_holds_each_gain(rng, tmp_path):
    x = bursts(rng, 5_000, 2)
    stream = ChainStream(CHAIN, 48000, 2)
    detail = DetailLog(stream, tmp_path)
    passages = [stream.process(x[:3_000]), stream.process(x[3_000:]), stream.finish()]
    for passage in passages:
        detail.add(passage)
    packed = io.BytesIO()
    detail.pack(packed)
    detail.close()
    assert zipfile.ZipFile(packed).testzip() is None
    packed.seek(0)
    gains = np.load(packed)
    assert sorted(gains.files) == ["compress", "deess", "gain", "rate"]
    expected = np.concatenate([passage.taps[3].gain for passage in passages])
    assert np.array_equal(gains["compress"], expected)
    assert not list(tmp_path.iterdir())


def test_a_log_is_read_back(tmp_path):
    path = tmp_path / "out.gr.csv"
    path.write_text(
        "frame,seconds,in_dbfs,lead eq_db,deess_db,out_dbfs\n"
        "0,0.000000,-inf,0.0000,0.0000,-inf\n480,0.010000,-20.5000,1.0000,-3.2500,-21.0000\n"
    )
    read = read_log(path)
    assert list(read.gains) == ["lead eq", "deess"]
    assert read.seconds.tolist() == [0, 0.01]
    assert read.before.tolist() == [-np.inf, -20.5]
    assert read.gains["deess"].tolist() == [0, -3.25]


@pytest.mark.parametrize("text", ["", "frame,seconds\n0,x\n", "a,b\n1,2\n", "frame,seconds\n1\n"])
def test_another_file_is_no_log(tmp_path, text):
    path = tmp_path / "out.gr.csv"
    path.write_text(text)
    with pytest.raises(UsageError, match="is not a gain-reduction log"):
        read_log(path)


def test_a_missing_log_is_named(tmp_path):
    with pytest.raises(UsageError, match="cannot read .*nowhere"):
        read_log(tmp_path / "nowhere.csv")
