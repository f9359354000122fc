"""Loops of the true-peak limiter; the caller allocates."""

from __future__ import annotations

from numba import njit


@njit(cache=True, nogil=True, error_model="numpy")
def frame_peaks(x, taps, lane, sums, out):
    """Greatest magnitude of each frame over all channels, interpolated values included.

    x: (frames + taps − 1, channels); taps: (phases, taps); out: (frames,). out[n] belongs to frame
    n + taps/2 − 1 of x and covers the interval from there to the next frame. lane, sums: scratch;
    their length, less the taps, is how many frames are worked on at once.
    """
    phases, width = taps.shape
    middle = width // 2 - 1
    stretch = sums.shape[0]
    for start in range(0, out.shape[0], stretch):
        count = min(stretch, out.shape[0] - start)
        for n in range(count):
            out[start + n] = 0.0
        for channel in range(x.shape[1]):
            for n in range(count + width - 1):
                lane[n] = x[start + n, channel]
            for n in range(count):
                out[start + n] = max(out[start + n], abs(lane[n + middle]))
            for phase in range(phases):
                for n in range(count):
                    sums[n] = taps[phase, 0] * lane[n]
                for k in range(1, width):
                    tap = taps[phase, k]
                    for n in range(count):
                        sums[n] += tap * lane[n + k]
                for n in range(count):
                    out[start + n] = max(out[start + n], abs(sums[n]))


@njit(cache=True, nogil=True, error_model="numpy")
def limiting_gain(peaks, ceiling, alpha, values, places, boxes, state, gain):
    """Gain that keeps each peak below the ceiling, without steps.

    The gain a peak needs is held for the window ahead of it (a sliding minimum), let go with the
    coefficient `alpha`, and averaged over the window: where the peak comes, every value in the
    average is at most what it needs. gain[n] belongs to the frame `window − 1` before peaks[n].
    values, places: (window + 1,) queue of the sliding minimum; boxes: (window,) values in the
    average, at first 1. state: head and length of the queue, frame number, released gain, sum.
    """
    window = boxes.shape[0]
    room = values.shape[0]
    head, length, frame = int(state[0]), int(state[1]), int(state[2])
    released, total = state[3], state[4]
    for n in range(peaks.shape[0]):
        need = ceiling / peaks[n] if peaks[n] > ceiling else 1.0
        while length > 0 and values[(head + length - 1) % room] >= need:
            length -= 1
        values[(head + length) % room] = need
        places[(head + length) % room] = frame
        length += 1
        if places[head] <= frame - window:
            head = (head + 1) % room
            length -= 1
        held = values[head]
        released = held if held < released else held + alpha * (released - held)
        slot = frame % window
        if slot == 0:
            # Summed anew once a window, so that no rounding piles up.
            total = released
            for k in range(1, window):
                total += boxes[k]
        else:
            total += released - boxes[slot]
        boxes[slot] = released
        gain[n] = min(total / window, 1.0)
        frame += 1
    state[0], state[1], state[2], state[3], state[4] = head, length, frame, released, total
