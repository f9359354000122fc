"""Every loop over frames that belongs to a chain: filters, windows, levels, gains.

Plain loops over plain arrays. The caller checks, allocates and keeps the state; a kernel calls
only kernels of this file, raises nothing and never depends on how the signal was cut into blocks.
Each has a slow twin, written from the formula, in the tests.

Two habits keep them quick. An inner loop indexes with its bare counter, and slices do the
shifting: for ``x[i + k]`` numba must ask whether the index is negative, and nothing is vectorised.
Arrays are copied by loops: ``a[:] = b`` compiles for a second, most of it the texts of errors.
"""

from __future__ import annotations

import numpy as np
from numba import njit

# A cascade works on tiles: `TILE` consecutive frames, cut into `LANES` runs of `STEPS` frames that
# advance side by side. Tiles are anchored at the first frame of the signal.
LANES = 32
STEPS = 64
TILE = LANES * STEPS

# Frames that pass through the steps of a dynamics stage together, while they stay in the cache.
CHUNK = 2048

# Smaller than any signal (-3000 dBFS), and far enough from the denormal numbers that products
# with coefficients do not reach them: processors take a hundred times longer over denormals.
TINY = 1e-150

# Levels end here; it is the level of silence.
FLOOR = 1e-20

# A whole that is quieter (-120 dBFS) has no share that is turned down: there is nothing to hear,
# and what filters leave of silence would stand against what they ring with ahead of a sound.
INAUDIBLE = 1e-6

# A gain this close to 0 dB has decayed; it is set to 0 dB at every `ANCHOR`-th frame.
SETTLED_DB = 1e-20
ANCHOR = 1024

_LOG10_2 = 0.301029995663981195
_LN10 = 2.302585092994045684
_LN2 = 0.693147180559945309
_BITS_SQRT_HALF = 0x3FE6A09E667F3BCD
_DB_LIMIT = 6000.0


# ---------------------------------------------------------------------------------------------
# Cascades of second-order sections


@njit(cache=True, nogil=True, error_model="numpy")
def cascade(x, sections, decays, jumps, held, filled, states, tile, lanes, ends, made, y):
    """Filter `x` (frames, channels) through second-order sections, into `y`.

    Transposed direct form II, ``y = b0 x + p; p' = b1 x - a1 y + q; q' = b2 x - a2 y``, on
    `LANES` runs of `STEPS` frames at once: each run starts from rest, then the response to the
    state in which the run before it ended is added. What a frame becomes depends only on its
    place in the signal and on the frames before it; an unfinished tile is worked out again from
    its beginning when more frames have come.

    sections (n, 5) b0 b1 b2 a1 a2; decays (n, STEPS, 2) output after t frames of a unit state;
    jumps (n, 2, 2) state after STEPS frames of a unit state; held (channels, TILE) frames of the
    unfinished tile, of which `filled` are there; states (channels, n, 2) at the tile's beginning;
    tile (STEPS, LANES), lanes (2, LANES), ends (n, 2), made (channels, TILE) are overwritten.
    Returns how many frames of a tile are left unfinished.
    """
    fill = filled
    begin = 0
    while begin < x.shape[0]:
        end = min(begin + TILE - fill, x.shape[0])
        behind = fill + end - begin
        take_channels(x[begin:end], fill, held)
        for channel in range(x.shape[1]):
            _load(held[channel], tile)
            _copy(states[channel].ravel(), ends.ravel())
            for k in range(sections.shape[0]):
                _from_rest(sections[k], lanes, tile)
                _hand_over(jumps[k], ends[k], lanes)
                _add_past(decays[k], lanes, tile)
            _unload(tile, made[channel])
            if behind == TILE:
                _copy(ends.ravel(), states[channel].ravel())
        put_channels(made, fill, y[begin:end])
        begin = end
        fill = behind % TILE
    return fill


@njit(cache=True, nogil=True, error_model="numpy")
def take_channels(x, begin, rows):
    """Frames of `x` (frames, channels) into `rows` (channels, begin + frames or more).

    What is below `TINY` becomes 0.
    """
    step = max(TILE // x.shape[1], 1)
    for first in range(0, x.shape[0], step):
        last = min(first + step, x.shape[0])
        for channel in range(x.shape[1]):
            _take_channel(x[first:last], channel, rows[channel][begin + first : begin + last])


@njit(cache=True, nogil=True, error_model="numpy")
def _take_channel(x, channel, row):
    if x.shape[1] == 1:
        frames = x.ravel()
        for i in range(row.size):
            row[i] = frames[i] if abs(frames[i]) > TINY else 0.0
    else:
        for i in range(row.size):
            value = x[i, channel]
            row[i] = value if abs(value) > TINY else 0.0


@njit(cache=True, nogil=True, error_model="numpy")
def put_channels(rows, begin, y):
    """Frames of `rows` (channels, begin + frames or more) into `y` (frames, channels)."""
    step = max(TILE // y.shape[1], 1)
    for first in range(0, y.shape[0], step):
        last = min(first + step, y.shape[0])
        for channel in range(y.shape[1]):
            _put_channel(rows[channel][begin + first : begin + last], channel, y[first:last])


@njit(cache=True, nogil=True, error_model="numpy")
def _put_channel(row, channel, y):
    if y.shape[1] == 1:
        _copy(row, y.ravel())
    else:
        for i in range(row.size):
            y[i, channel] = row[i]


@njit(cache=True, nogil=True, error_model="numpy")
def _load(row, tile):
    for lane in range(LANES):
        run = row[lane * STEPS : (lane + 1) * STEPS]
        for step in range(STEPS):
            tile[step, lane] = run[step]


@njit(cache=True, nogil=True, error_model="numpy")
def _unload(tile, row):
    for lane in range(LANES):
        run = row[lane * STEPS : (lane + 1) * STEPS]
        for step in range(STEPS):
            run[step] = tile[step, lane]


@njit(cache=True, nogil=True, error_model="numpy")
def _from_rest(section, lanes, tile):
    b0, b1, b2, a1, a2 = section[0], section[1], section[2], section[3], section[4]
    p, q = lanes[0], lanes[1]
    for lane in range(LANES):
        p[lane] = 0.0
        q[lane] = 0.0
    for step in range(STEPS):
        row = tile[step]
        for lane in range(LANES):
            x = row[lane]
            y = b0 * x + p[lane]
            p[lane] = b1 * x + q[lane] - a1 * y
            q[lane] = b2 * x - a2 * y
            row[lane] = y


@njit(cache=True, nogil=True, error_model="numpy")
def _hand_over(jump, state, lanes):
    """From how each lane ends when it starts from rest, the state in which it truly starts."""
    p, q = lanes[0], lanes[1]
    p_of_p, p_of_q, q_of_p, q_of_q = jump[0, 0], jump[0, 1], jump[1, 0], jump[1, 1]
    start_p, start_q = state[0], state[1]
    for lane in range(LANES):
        end_p = p[lane] + (p_of_p * start_p + p_of_q * start_q)
        end_q = q[lane] + (q_of_p * start_p + q_of_q * start_q)
        p[lane] = start_p
        q[lane] = start_q
        start_p = end_p
        start_q = end_q
    state[0] = start_p if abs(start_p) > TINY else 0.0
    state[1] = start_q if abs(start_q) > TINY else 0.0
    for lane in range(LANES):
        p[lane] = p[lane] if abs(p[lane]) > TINY else 0.0
        q[lane] = q[lane] if abs(q[lane]) > TINY else 0.0


@njit(cache=True, nogil=True, error_model="numpy")
def _add_past(decay, lanes, tile):
    p, q = lanes[0], lanes[1]
    for step in range(STEPS):
        row = tile[step]
        of_p, of_q = decay[step, 0], decay[step, 1]
        for lane in range(LANES):
            row[lane] += of_p * p[lane] + of_q * q[lane]


@njit(cache=True, nogil=True, error_model="numpy")
def _copy(source, target):
    for i in range(target.size):
        target[i] = source[i]


# ---------------------------------------------------------------------------------------------
# Trailing windows


@njit(cache=True, nogil=True, error_model="numpy")
def magnitudes(x, squared, folded, history, out):
    """|x| of each channel, or its square; with `folded` the greatest channel's, in one row.

    x (frames, channels), out (rows, history + frames or more); the history is left as it is.
    """
    step = max(TILE // x.shape[1], 1)
    for first in range(0, x.shape[0], step):
        last = min(first + step, x.shape[0])
        for channel in range(x.shape[1]):
            row = out[0 if folded else channel][history + first : history + last]
            values = x[first:last, channel]
            if folded and channel > 0:
                for i in range(row.size):
                    row[i] = max(row[i], abs(values[i]))
            elif x.shape[1] == 1:
                _magnitude(x[first:last].ravel(), squared, row)
            else:
                _magnitude(values, squared, row)


@njit(cache=True, nogil=True, error_model="numpy")
def _magnitude(values, squared, out):
    for i in range(out.size):
        value = abs(values[i])
        value = value if value > TINY else 0.0
        out[i] = value * value if squared else value


@njit(cache=True, nogil=True, error_model="numpy")
def sliding_max(values, width, even, odd, out):
    """out[i] = greatest of values[i : i + width]; `even`, `odd` are as long as `values`.

    The maximum over 4, 16, 64 … values comes from four of a quarter of the width, and that over
    `width` from four that overlap: it depends on nothing but the values in the window.
    """
    source, target, spare = values, even, odd
    reach = 1
    while 4 * reach <= width:
        made = target[: values.size - 4 * reach + 1]
        b, c, d = source[reach:], source[2 * reach :], source[3 * reach :]
        _greatest_of_four(source, b, c, d, made)
        source, target, spare = target, spare, target
        reach *= 4
    rest = width - reach
    b, c, d = source[min(reach, rest) :], source[min(2 * reach, rest) :], source[rest:]
    _greatest_of_four(source, b, c, d, out)


@njit(cache=True, nogil=True, error_model="numpy")
def _greatest_of_four(a, b, c, d, out):
    for i in range(out.size):
        out[i] = max(max(a[i], b[i]), max(c[i], d[i]))


@njit(cache=True, nogil=True, error_model="numpy")
def sliding_sum(values, width, even, odd, out):
    """out[i] = sum of values[i : i + width]; `even`, `odd` are as long as `values`.

    Sums over 4, 16, 64 … values come from four of a quarter of the width, and as many of each as
    the digits of `width` to the base 4 tell make up the window: nothing is ever subtracted, so
    nothing drifts, a window of zeros is zero, and the sum depends on nothing but its values.
    """
    source, target, spare = values, even, odd
    reach = 1
    covered = 0
    while True:
        for _ in range(width // reach % 4):
            _accumulate(source[covered:], covered == 0, out)
            covered += reach
        if 4 * reach > width:
            break
        made = target[: values.size - 4 * reach + 1]
        _sum_of_four(source, source[reach:], source[2 * reach :], source[3 * reach :], made)
        source, target, spare = target, spare, target
        reach *= 4


@njit(cache=True, nogil=True, error_model="numpy")
def _sum_of_four(a, b, c, d, out):
    for i in range(out.size):
        out[i] = (a[i] + b[i]) + (c[i] + d[i])


@njit(cache=True, nogil=True, error_model="numpy")
def _accumulate(values, first, out):
    if first:
        for i in range(out.size):
            out[i] = values[i]
    else:
        for i in range(out.size):
            out[i] += values[i]


# ---------------------------------------------------------------------------------------------
# Levels and gains


@njit(cache=True, nogil=True, error_model="numpy")
def decibels(values, scale, out):
    """Level in dB, scale * log10(values), of values >= 0: scale 20 for magnitudes, 10 for squares.

    Below -400 dB the level is -400 dB. With value = 2^e m, 1/sqrt(2) <= m < sqrt(2),
    ln m = 2 artanh(s) = 2 (s + s^3/3 + s^5/5 + …), s = (m - 1) / (m + 1), |s| < 0.172: what
    the terms left out add up to is below 1e-16.
    """
    floor = FLOOR if scale == 20.0 else FLOOR * FLOOR
    of_exponent = scale * _LOG10_2
    of_mantissa = 2.0 * scale / _LN10
    for i in range(out.size):
        out[i] = max(values[i], floor)
    bits = out.view(np.int64)
    for i in range(out.size):
        exponent = (bits[i] - _BITS_SQRT_HALF) >> 52
        bits[i] -= exponent << 52
        mantissa = out[i]
        s = (mantissa - 1.0) / (mantissa + 1.0)
        z = s * s
        w = z * z
        odd = 1.0 / 3.0 + w * (1.0 / 7.0 + w * (1.0 / 11.0 + w * (1.0 / 15.0 + w * (1.0 / 19.0))))
        even = 1.0 + w * (1.0 / 5.0 + w * (1.0 / 9.0 + w * (1.0 / 13.0 + w * (1.0 / 17.0))))
        out[i] = of_exponent * exponent + of_mantissa * (s * (even + z * odd))


@njit(cache=True, nogil=True, error_model="numpy")
def amplitudes(levels, out):
    """Amplitude 10^(levels / 20) of levels in dB, held within ±6000 dB; 0 dB gives exactly 1.

    10^(level / 20) = 2^k e^r with whole k and |r| <= ln(2) / 2; e^r = cosh r + sinh r, both as
    Taylor series: what the terms left out add up to is below 2e-16.
    """
    bits = out.view(np.int64)
    for i in range(out.size):
        power = min(max(levels[i], -_DB_LIMIT), _DB_LIMIT) * (0.05 / _LOG10_2)
        whole = np.floor(power + 0.5)
        r = (power - whole) * _LN2
        z = r * r
        cosh = 1.0 / 40320.0 + z * (1.0 / 3628800.0 + z * (1.0 / 479001600.0))
        cosh = 1.0 + z * (1.0 / 2.0 + z * (1.0 / 24.0 + z * (1.0 / 720.0 + z * cosh)))
        sinh = 1.0 / 5040.0 + z * (1.0 / 362880.0 + z * (1.0 / 39916800.0))
        sinh = r * (1.0 + z * (1.0 / 6.0 + z * (1.0 / 120.0 + z * sinh)))
        out[i] = cosh + sinh
        bits[i] += np.int64(whole) << 52


@njit(cache=True, nogil=True, error_model="numpy")
def soft_knee(levels, threshold, slope, knee, gains):
    """Gain in dB of a static curve with a quadratic knee centred on the threshold.

    slope is 1 - 1/ratio. With d the height above the knee's lower end, the gain is
    -slope d^2 / (2 knee) inside the knee and -slope (d - knee / 2) above it.

    D. Giannoulis, M. Massberg, J. D. Reiss, "Digital Dynamic Range Compressor Design - A
    Tutorial and Analysis", J. Audio Eng. Soc. 60(6), 2012.
    """
    lower = threshold - 0.5 * knee
    curvature = 0.5 / knee if knee > TINY else 0.0
    for i in range(gains.size):
        height = max(levels[i] - lower, 0.0)
        inside = min(height, knee)
        gains[i] = 0.0 - slope * (curvature * inside * inside + (height - inside))


@njit(cache=True, nogil=True, error_model="numpy")
def smooth(targets, attack, release, position, state, gains):
    """Follow gains in dB: with `attack` towards more reduction, with `release` back.

    The smooth branching detector of Giannoulis et al. 2012, on the gain in dB:
    y' = a y + (1 - a) t, a = attack where t < y. state (2,) is what was left by the frames before;
    position is the absolute number of the first frame.
    """
    begin = 0
    while begin < gains.size:
        into = (position + begin) % ANCHOR
        if into == 0 and state[0] > -SETTLED_DB:
            state[0] = 0.0
        end = min(gains.size, begin + ANCHOR - into)
        if attack <= release:
            _smooth_pairs(targets[begin:end], attack, release, into % 2, state, gains[begin:end])
        else:
            _smooth_branching(targets[begin:end], attack, release, state, gains[begin:end])
        begin = end


@njit(cache=True, nogil=True, error_model="numpy")
def _smooth_branching(targets, attack, release, state, gains):
    y = state[0]
    for i in range(gains.size):
        t = targets[i]
        y = attack * y + (1.0 - attack) * t if t < y else release * y + (1.0 - release) * t
        gains[i] = y
    state[0] = y


@njit(cache=True, nogil=True, error_model="numpy")
def _smooth_pairs(targets, attack, release, odd, state, gains):
    """Smooth while attack <= release: y' is then the lesser of the two candidates, no branch.

    The frames 2n and 2n + 1 go together, which halves the way from one y to the next: both
    candidates rise with y, so the lesser of the lesser is the least of attack twice, attack and
    release in the better order, and release twice. state is y ahead of a pair and, when `odd`,
    the target of its first frame.
    """
    fall, rise = 1.0 - attack, 1.0 - release
    y, first = state[0], state[1]
    i = -odd
    while i + 1 < gains.size:
        if i >= 0:
            first = targets[i]
            gains[i] = min(attack * y + fall * first, release * y + rise * first)
        second = targets[i + 1]
        down, up = fall * first, rise * first
        then_down, then_up = fall * second, rise * second
        twice_down = attack * attack * y + (attack * down + then_down)
        mixed = attack * release * y + min(attack * up + then_down, release * down + then_up)
        twice_up = release * release * y + (release * up + then_up)
        y = min(min(twice_down, twice_up), mixed)
        gains[i + 1] = y
        i += 2
    if i < gains.size:
        first = targets[i] if i >= 0 else first
        if i >= 0:
            gains[i] = min(attack * y + fall * first, release * y + rise * first)
    state[0], state[1] = y, first


@njit(cache=True, nogil=True, error_model="numpy")
def reduction(
    keys, voices, width, squared, threshold, slope, knee, attack, release, deepest, position, state,
    scratch, gains,
):  # fmt: skip
    """Gain in dB that a detector, a static curve and attack and release ask for.

    keys (rows, width - 1 + frames or more) magnitudes or squares, as `magnitudes` gives them;
    the loudest row counts. voices is as keys, and the level is then that of keys against voices,
    silence where those are `INAUDIBLE`; with no rows it is that of keys. deepest is the lowest gain
    allowed, in dB. scratch (4, m) with m >= width; gains (frames,).
    """
    scale = 10.0 if squared else 20.0
    # What is well below the knee asks for no gain: most of a voice needs no logarithm.
    quiet = (1.0 - 1e-9) * 10.0 ** ((threshold - 0.5 * knee) / scale)
    least = INAUDIBLE * INAUDIBLE if squared else INAUDIBLE
    step = scratch.shape[1] - width + 1
    for begin in range(0, gains.size, step):
        end = min(begin + step, gains.size)
        level = scratch[2][: end - begin]
        gain = gains[begin:end]
        _loudest(keys, begin, end, width, squared, scratch, level, gain)
        if voices.shape[0] > 0:
            whole = scratch[3][: end - begin]
            _loudest(voices, begin, end, width, squared, scratch, whole, gain)
            for i in range(level.size):
                level[i] = level[i] / whole[i] if whole[i] > least else 0.0
        if _any_above(level, quiet):
            decibels(level, scale, level)
            soft_knee(level, threshold, slope, knee, level)
        else:
            for i in range(level.size):
                level[i] = 0.0
        smooth(level, attack, release, position + begin, state, gain)
        for i in range(gain.size):
            gain[i] = max(gain[i], deepest)


@njit(cache=True, nogil=True, error_model="numpy")
def _any_above(values, limit):
    count = 0
    for i in range(values.size):
        count += values[i] > limit
    return count > 0


@njit(cache=True, nogil=True, error_model="numpy")
def _loudest(rows, begin, end, width, squared, scratch, out, spare):
    """Greatest maximum or mean over the rows, of the windows that end at `begin` to `end`."""
    even, odd = scratch[0], scratch[1]
    for r in range(rows.shape[0]):
        values = rows[r][begin : end + width - 1]
        target = out if r == 0 else spare
        if squared:
            sliding_sum(values, width, even, odd, target)
        else:
            sliding_max(values, width, even, odd, target)
        if r > 0:
            for i in range(out.size):
                out[i] = max(out[i], spare[i])
    if squared:
        share = 1.0 / width
        for i in range(out.size):
            out[i] *= share


@njit(cache=True, nogil=True, error_model="numpy")
def surrounded(x, reach, share, scratch, y):
    """Magnitudes, nowhere below `share` of the greatest within `reach` frames to either side.

    x (frames + 2 reach, channels), y (frames, channels); scratch (4, m) with m > 2 reach.
    """
    step = scratch.shape[1] - 2 * reach
    for channel in range(x.shape[1]):
        for begin in range(0, y.shape[0], step):
            end = min(begin + step, y.shape[0])
            values = x[begin : end + 2 * reach, channel]
            row, greatest = scratch[2][: values.size], scratch[3][: end - begin]
            for i in range(row.size):
                row[i] = abs(values[i])
            sliding_max(row, 2 * reach + 1, scratch[0], scratch[1], greatest)
            middle, out = row[reach:], y[begin:end, channel]
            for i in range(out.size):
                out[i] = max(middle[i], share * greatest[i])


@njit(cache=True, nogil=True, error_model="numpy")
def apply_gain(x, gains, scratch, y):
    """Turn `x` up by gains in dB: y = x 10^(gains / 20).

    x, y (frames, channels), gains (frames, 1 or channels); scratch holds a frame of gains or more.
    """
    lanes = gains.shape[1]
    step = scratch.size // x.shape[1]
    for begin in range(0, x.shape[0], step):
        end = min(begin + step, x.shape[0])
        amplitude = scratch[: (end - begin) * lanes]
        amplitudes(gains[begin:end].ravel(), amplitude)
        if lanes == x.shape[1]:
            _multiply(x[begin:end].ravel(), amplitude, y[begin:end].ravel())
        else:
            for channel in range(x.shape[1]):
                _multiply(x[begin:end, channel], amplitude, y[begin:end, channel])


@njit(cache=True, nogil=True, error_model="numpy")
def _multiply(values, factors, out):
    for i in range(out.size):
        value = values[i]
        made = (value if abs(value) > TINY else 0.0) * factors[i]
        out[i] = made if abs(value) > TINY else value


@njit(cache=True, nogil=True, error_model="numpy")
def apply_band_gain(base, band, gains, scratch, y):
    """Turn a band up by gains in dB: y = base + (10^(gains / 20) - 1) band.

    The base is untouched where the gain is 0 dB.

    base, band, y (frames, channels), gains (frames, 1) in dB.
    """
    step = scratch.size // base.shape[1]
    for begin in range(0, base.shape[0], step):
        end = min(begin + step, base.shape[0])
        change = scratch[: end - begin]
        amplitudes(gains[begin:end].ravel(), change)
        for i in range(change.size):
            change[i] -= 1.0
        if base.shape[1] == 1:
            _add_change(
                base[begin:end].ravel(), band[begin:end].ravel(), change, y[begin:end].ravel()
            )
        else:
            for channel in range(base.shape[1]):
                _add_change(
                    base[begin:end, channel], band[begin:end, channel], change,
                    y[begin:end, channel],
                )  # fmt: skip


@njit(cache=True, nogil=True, error_model="numpy")
def _add_change(base, band, change, y):
    for i in range(change.size):
        added = base[i] + change[i] * band[i]
        y[i] = added if change[i] != 0.0 else base[i]


@njit(cache=True, nogil=True, error_model="numpy")
def blend(gains, mix, scratch):
    """Replace gains in dB (n,) by those of `mix` parts processed and 1 - `mix` parts not."""
    for begin in range(0, gains.size, scratch.size):
        gain = gains[begin : begin + scratch.size]
        amplitude = scratch[: gain.size]
        amplitudes(gain, amplitude)
        for i in range(gain.size):
            amplitude[i] = (1.0 - mix) + mix * amplitude[i]
        decibels(amplitude, 20.0, gain)


@njit(cache=True, nogil=True, error_model="numpy")
def ride(position, rate, times, levels, out):
    """Straight lines in dB between points, held at both ends, at position, position + 1 … / rate.

    times (n,) seconds, ascending; levels (n,) dB; out (frames,) dB.
    """
    last = times.size - 1
    point = 0
    for i in range(out.size):
        now = (position + i) / rate
        while point < last and times[point + 1] <= now:
            point += 1
        if now <= times[0]:
            out[i] = levels[0]
        elif point == last:
            out[i] = levels[last]
        else:
            share = (now - times[point]) / (times[point + 1] - times[point])
            out[i] = levels[point] + share * (levels[point + 1] - levels[point])
