"""Time stamps: what they say, how even they are, and the sample rate that follows."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ingest.recording import ISO, ClockSummary

# A step this much longer than usual is a gap (at least one sample is likelier lost than late).
GAP_STEPS = 1.5
# Repeated stamps up to this share are faults; more of them mean stamps coarser than the sampling.
_COARSE_SHARE = 0.1
# Pieces of the rows peeked at; those whose steps scatter twice as much as in the usual piece are
# left out, so that a start that is not yet even does not count.
_PIECES = 10
_UNEVEN_RATIO = 2.0
# A rate this close to three significant digits is that number: loggers are set to round rates, and
# a stamp of 1 ms over the 100 s peeked at tells no more than 1e-5.
_ROUND_SHARE = 2e-5
# Stretches over which the steps are averaged, for a rate that changes; fewer tell nothing.
_MOST_STRETCHES, _FEWEST_STRETCHES = 128, 32


def stamps_from_text(
    texts: Sequence[str] | NDArray[np.object_], time_format: str
) -> NDArray[np.int64]:
    """Nanoseconds since an arbitrary origin from time stamps in ISO 8601 or a strftime pattern.

    Raises
    ------
    ValueError
        A text does not fit the format.
    """
    import pandas as pd

    series = pd.Series(texts, dtype=object)
    if time_format == ISO:
        stamps = pd.to_datetime(series, format="ISO8601", utc=True)
    else:
        stamps = pd.to_datetime(series, format=time_format, utc=True)
    if stamps.isna().any():
        raise ValueError("a time stamp is missing")
    return np.asarray(stamps.dt.tz_localize(None).to_numpy(dtype="datetime64[ns]").astype(np.int64))


def first_bad_stamp(texts: Sequence[str], time_format: str) -> int:
    """Index of the first text that is no time in the format; the last where each is one."""
    for index, text in enumerate(texts):
        try:
            stamps_from_text([text], time_format)
        except ValueError:
            return index
    return len(texts) - 1


def seconds_since(
    stamps: NDArray[np.int64] | NDArray[np.float64], first: np.int64 | np.float64, unit_s: float
) -> NDArray[np.float64]:
    """Seconds since the first stamp; integers are nanoseconds, numbers are in the stated unit."""
    if np.issubdtype(stamps.dtype, np.integer):
        return np.asarray((stamps - first) * 1e-9, dtype=np.float64)
    return np.asarray((stamps - first) * unit_s, dtype=np.float64)


def estimate_rate_hz(time_s: NDArray[np.float64]) -> float | None:
    """Sample rate from the first time stamps; None where they do not advance."""
    steps = np.diff(time_s)
    if steps.size == 0 or not np.any(steps > 0):
        return None
    step_s = float(np.mean(_even_steps(steps[(steps >= 0.0) & (steps <= _gap_limit_s(steps))])))
    rate_hz = 1.0 / step_s
    rounded = float(f"{rate_hz:.3g}")
    return rounded if abs(rate_hz / rounded - 1.0) < _ROUND_SHARE else rate_hz


def _even_steps(steps: NDArray[np.float64]) -> NDArray[np.float64]:
    pieces = [piece for piece in np.array_split(steps, _PIECES) if piece.size]
    spread = np.array([np.ptp(piece) for piece in pieces])
    limit = _UNEVEN_RATIO * np.median(spread) + 1e-6 * np.median(steps)
    return np.concatenate([p for p, s in zip(pieces, spread, strict=True) if s <= limit])


def _usual_step_s(steps: NDArray[np.float64]) -> float:
    """The median, or the mean where stamps are coarser than the sampling."""
    if np.mean(steps == 0.0) > _COARSE_SHARE:
        return float(np.mean(steps[steps >= 0.0]))
    return float(np.median(steps[steps > 0.0]))


def _gap_limit_s(steps: NDArray[np.float64]) -> float:
    """Steps longer than this are gaps; a coarse stamp's own step is not one."""
    usual = _usual_step_s(steps)
    coarse = np.mean(steps == 0.0) > _COARSE_SHARE
    return GAP_STEPS * (float(np.median(steps[steps > 0.0])) if coarse else usual)


class _RateTrend:
    """Mean steps over up to 128 equal stretches, and the straight line through them."""

    def __init__(self) -> None:
        self._knots_s = np.zeros(1)  # how far every so many stamps run ahead of even ones
        self._spacing = 1
        self._steps = 0
        self._ahead_s = 0.0

    def feed(self, excess_s: NDArray[np.float64]) -> None:
        """Take what the next steps are longer than usual, (n,)."""
        ahead_s = self._ahead_s + np.cumsum(excess_s)
        to_next = self._spacing - self._steps % self._spacing
        self._knots_s = np.append(self._knots_s, ahead_s[to_next - 1 :: self._spacing])
        self._steps += excess_s.size
        self._ahead_s = float(ahead_s[-1]) if excess_s.size else self._ahead_s
        while self._knots_s.size > _MOST_STRETCHES + 1:
            self._knots_s = self._knots_s[::2]
            self._spacing *= 2

    def change(self, usual_s: float) -> tuple[float, float]:
        """Of the rate from the first step to the last, as a share, with its standard error."""
        n = self._knots_s.size - 1
        if n < _FEWEST_STRETCHES:
            return 0.0, 0.0
        step_s = usual_s + np.diff(self._knots_s) / self._spacing
        place = np.linspace(-0.5, 0.5, n)
        slope, mean_s = np.polyfit(place, step_s, 1)
        scatter = np.sum((step_s - mean_s - slope * place) ** 2) / (n - 2)
        error = float(np.sqrt(scatter / np.sum(place**2)))
        return float((mean_s - slope / 2) / (mean_s + slope / 2)) - 1.0, error / float(mean_s)


class ClockMeter:
    """Follows the time stamps of one pass; the first block sets what a usual step is."""

    def __init__(self) -> None:
        self._n = 0
        self._first_s = self._last_s = 0.0
        self._usual_s: float | None = None
        self._limit_s = 0.0
        self._median_s = 0.0
        self._smallest_s, self._largest_s = np.inf, -np.inf
        self._square_sum = 0.0
        self._even_steps = self._gaps = self._lost = self._repeated = self._backward = 0
        self._jump_excess_s = 0.0
        self._trend = _RateTrend()

    def feed(self, time_s: NDArray[np.float64]) -> None:
        """Take the stamps of the next block, (n,) in seconds."""
        if time_s.size == 0:
            return
        if self._n == 0:
            self._first_s = float(time_s[0])
            steps = np.diff(time_s)
        else:
            steps = np.diff(time_s, prepend=self._last_s)
        self._n += time_s.size
        self._last_s = float(time_s[-1])
        if steps.size:
            self._take(steps)

    def _take(self, steps: NDArray[np.float64]) -> None:
        if self._usual_s is None and np.any(steps > 0.0):
            self._usual_s = _usual_step_s(steps)
            self._limit_s = _gap_limit_s(steps)
            self._median_s = float(np.median(steps))
        self._smallest_s = min(self._smallest_s, float(steps.min()))
        self._largest_s = max(self._largest_s, float(steps.max()))
        self._repeated += int(np.count_nonzero(steps == 0.0))
        self._backward += int(np.count_nonzero(steps < 0.0))
        if self._usual_s is None:
            return
        is_gap = steps > self._limit_s
        gaps = steps[is_gap]
        self._gaps += gaps.size
        self._lost += int(np.sum(np.rint(gaps / self._usual_s) - 1))
        is_jump = is_gap | (steps < 0.0)
        self._jump_excess_s += float(np.sum(steps[is_jump] - self._usual_s))
        self._trend.feed(np.where(is_jump, 0.0, steps - self._usual_s))
        even = steps[~is_jump]
        self._even_steps += even.size
        self._square_sum += float(np.sum((even - self._median_s) ** 2))

    @property
    def first_s(self) -> float:
        """The first stamp."""
        return self._first_s

    def summary(self, rate_hz: float) -> ClockSummary:
        """What the stamps have said; the rate fills in where they say nothing."""
        span_s = self._last_s - self._first_s - self._jump_excess_s
        measured_hz = (self._n - 1) / span_s if span_s > 0.0 else rate_hz
        stepped = self._n > 1
        change, change_error = self._trend.change(self._usual_s or 1.0 / rate_hz)
        return ClockSummary(
            n=self._n,
            stamped=True,
            first_s=self._first_s,
            last_s=self._last_s,
            measured_rate_hz=measured_hz,
            median_step_s=self._median_s if stepped else 1.0 / rate_hz,
            smallest_step_s=self._smallest_s if stepped else 1.0 / rate_hz,
            largest_step_s=self._largest_s if stepped else 1.0 / rate_hz,
            jitter_s=float(np.sqrt(self._square_sum / max(self._even_steps, 1))),
            gaps=self._gaps,
            lost_samples=self._lost,
            repeated=self._repeated,
            backward=self._backward,
            rate_change=change,
            rate_change_error=change_error,
        )


def even_clock(first_index: int, n: int, rate_hz: float) -> ClockSummary:
    """Summary of a recording without time stamps, whose rate is stated."""
    step_s = 1.0 / rate_hz
    first_s = first_index * step_s
    last_s = first_s + max(n - 1, 0) * step_s
    return ClockSummary(n, False, first_s, last_s, rate_hz, step_s, step_s, step_s, 0.0, 0, 0, 0, 0)
