"""Where a falling function crosses zero, asked as seldom as can be: each answer is dear."""

from __future__ import annotations

from collections.abc import Callable


def find_crossing(
    miss: Callable[[float], float],
    start: float,
    slope: float,
    low: float,
    high: float,
    *,
    tolerance: float,
    most: int,
) -> tuple[float, float]:
    """Value at which `miss` comes nearest to zero, and the miss there.

    Secant steps from the last two answers, kept between the greatest value that was too low and
    the least that was too high. Where a step halved neither that bracket nor the least miss, the
    next one goes to the bracket's middle. So the search is about as quick as the secant where the
    function is smooth, and at most a few times as slow as halving where it jumps or is flat.

    Parameters
    ----------
    miss : callable
        Falls, or stays, from `low` to `high`: above zero where the value is too low.
    start : float
        Where to begin; held between `low` and `high`.
    slope : float, ≥ 0
        How fast `miss` falls about there, for the first step; 0 where nothing is known of it.
    low, high : float
        Bounds of the value. Without a crossing between them the answer is the nearer one.
    tolerance : float
        Magnitude of a miss that is good enough.
    most : int, ≥ 1
        Greatest number of calls of `miss`.

    Returns
    -------
    tuple of float

    References
    ----------
    T. J. Dekker, "Finding a zero by means of successive linear interpolation", in *Constructive
    Aspects of the Fundamental Theorem of Algebra*, 1969 (secant and halving; from memory).
    """
    told: dict[float, float] = {}
    value, least = min(max(start, low), high), float("inf")
    while value not in told and len(told) < most:
        found = told[value] = miss(value)
        if abs(found) <= tolerance:
            break
        width = high - low
        low, high = (value, high) if found > 0.0 else (low, value)
        gained = abs(found) <= least / 2 or high - low <= width / 2
        least = min(least, abs(found))
        value = min(max(_step(list(told.items())[-2:], slope), low), high)
        if not gained or value in told:
            value = (low + high) / 2
    return min(told.items(), key=lambda answer: abs(answer[1]))


def _step(answers: list[tuple[float, float]], slope: float) -> float:
    """Zero of the line through two answers, or through one falling by `slope`.

    A line that does not fall has none, and leads nowhere: the last value comes back.
    """
    value, miss = answers[-1]
    if len(answers) > 1:
        earlier, miss_then = answers[0]
        slope = (miss_then - miss) / (value - earlier)
    return value + miss / slope if slope > 0.0 else value
