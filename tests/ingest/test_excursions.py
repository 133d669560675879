"""Excursions by groups against their definition sample by sample; holds against a plain count."""

from itertools import groupby

import numpy as np
import pytest
from numpy.typing import NDArray

from ingest.channel_meters import HoldMeter
from ingest.excursions import GROUP, REACH, Grouped, excursions
from ingest.spike_meter import STANDS_OUT_SPANS

Array = NDArray[np.float64]


def signal(kind: str, n: int) -> Array:
    """White, smooth, counted or with a tail so heavy that much stands out."""
    rng = np.random.default_rng(n)
    return {
        "white": lambda: rng.standard_normal(n),
        "smooth": lambda: np.cumsum(rng.standard_normal(n)),
        "counted": lambda: np.round(rng.standard_normal(n)),
        "tailed": lambda: rng.standard_cauchy(n),
    }[kind]()


def defined(samples: Array, top: int) -> tuple[float, float]:
    """Height of one top and the span of its flanks, by their definition."""
    place = top + REACH
    x = samples[place - 3 : place + 4].tolist()
    upper = max(x[0], x[6], min(max(x[1], x[5]), min(x[2], x[4])))
    lower = min(x[0], x[6], max(min(x[1], x[5]), max(x[2], x[4])))
    flanks = [*samples[place - 19 : place - 3], *samples[place + 4 : place + 20]]
    return max(x[3] - upper, lower - x[3], 0.0), max(flanks) - min(flanks)


@pytest.mark.parametrize("kind", ["white", "smooth", "counted", "tailed"])
@pytest.mark.parametrize("n_tops", [1, 2, 5, 40, 401])
@pytest.mark.parametrize("first", range(GROUP))
def test_groups_agree_with_the_definition(kind: str, n_tops: int, first: int) -> None:
    """Every fourth top's spans to the last bit, and no top that stands out is passed over."""
    samples = signal(kind, n_tops + 2 * REACH)
    finest = 0.25
    spans = np.array([h / max(s, finest) for h, s in (defined(samples, i) for i in range(n_tops))])

    grouped = Grouped(samples, first)
    tops = grouped.may_stand_out(STANDS_OUT_SPANS, finest)
    height, low, high = excursions(samples, tops)

    assert np.array_equal(grouped.spans(finest), spans[first::GROUP])
    assert set(np.flatnonzero(spans >= STANDS_OUT_SPANS)) <= set(tops.tolist())
    assert np.array_equal(height / np.maximum(high - low, finest), spans[tops])
    assert np.array_equal(tops, np.unique(tops))


@pytest.mark.parametrize("largest_block", [1, 3, 1000])
def test_holds_agree_with_a_plain_count(largest_block: int) -> None:
    """Whatever the blocks: the longest stretch of one value, and how long half the values last."""
    rng = np.random.default_rng(largest_block)
    values = np.repeat(rng.permutation(300), rng.integers(1, 6, 300)).astype(float)
    values = np.insert(values, 411, np.full(400, values[410]))
    meter = HoldMeter()
    start = 0
    while start < values.size:
        stop = min(start + int(rng.integers(1, largest_block + 1)), values.size)
        meter.feed(values[start:stop], range(start, stop))
        start = stop

    holds = [len(list(same)) for _, same in groupby(values)]
    longest = int(np.argmax(holds))
    assert meter.stuck is not None
    assert meter.stuck.length == max(holds)
    assert meter.stuck.first == sum(holds[:longest])
    kept = sorted(holds[1:longest] + holds[longest + 1 : -1])  # the first may have begun before
    samples = np.cumsum(kept)
    assert meter.usual_hold_samples == kept[int(np.searchsorted(samples, samples[-1] / 2))]
