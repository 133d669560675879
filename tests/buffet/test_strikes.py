"""Strikes found in a stream: where, in which channel, how much is held, what is no strike."""

from __future__ import annotations

import numpy as np
import pytest

from buffet.resonance.strikes import Strike, StrikeCutter
from tests.buffet.tap_records import RATE_HZ, Array, Planted, noise, shaken, struck, tone

MODE = Planted(38.0, 0.02)
HITS = [(2.0, 1.0), (8.0, 0.5), (14.0, 1.5)]
SECONDS = 20.0
N = round(SECONDS * RATE_HZ)


def cut(samples: Array, block: int = 777) -> list[Strike]:
    """All strikes of a record ``(n_channels, n)`` that comes in blocks."""
    cutter = StrikeCutter(len(samples), RATE_HZ)
    found = []
    for start in range(0, samples.shape[1], block):
        found += list(cutter.push(samples[:, start : start + block]))
    return [*found, *cutter.finish()]


def two_channels() -> Array:
    """A lift that rings and a drag that does not, over an offset."""
    return np.array([12.0 + struck([MODE], HITS, SECONDS) + noise(0.02, N, 1), noise(0.02, N, 2)])


def test_each_strike_is_found_once_where_it_was() -> None:
    """To a few samples, in the channel that rings, with the decay up to the next."""
    found = cut(two_channels())

    assert [one.time_s for one in found] == pytest.approx([2.0, 8.0, 14.0], abs=0.01)
    assert [one.struck.tolist() for one in found] == [[True, False]] * 3
    assert [one.ended_by for one in found] == ["next strike", "next strike", "end of record"]
    lengths_s = [one.samples.shape[1] / RATE_HZ for one in found]
    assert lengths_s == pytest.approx([6.0, 6.0, 6.0], abs=0.1)


@pytest.mark.parametrize("block", [1, 64, 100_000])
def test_the_blocks_do_not_matter(block: int) -> None:
    """Samples one by one, or all at once, give the same."""
    samples = two_channels()

    for one, other in zip(cut(samples, block), cut(samples), strict=True):
        assert one.time_s == other.time_s
        assert np.array_equal(one.samples, other.samples)


@pytest.mark.parametrize(
    "quiet",
    [
        noise(0.3, N, 3),
        tone(50.0, 1.0, N),
        shaken([Planted(38.0, 0.02)], 0.1, SECONDS, 4),
        struck([Planted(38.0, 0.0001), Planted(38.5, 0.0001, -1.0)], [(-1.0, 1.0)], SECONDS),
        np.linspace(0.0, 50.0, N) + noise(0.1, N, 5),
        np.round(noise(0.2, N, 6)),
        np.zeros(N),
        np.where(np.arange(N) == 5000, 100.0, 0.0) + noise(0.1, N, 7),
    ],
    ids=["noise", "hum", "shaken", "beat", "drift", "flicker of counts", "dead", "spike"],
)
def test_what_is_no_strike(quiet: Array) -> None:
    """Nothing that goes on, grows slowly or lasts for one sample."""
    assert cut(quiet[None]) == []


def test_a_strike_must_stand_out_of_what_rings_still() -> None:
    """Another one as strong 0.4 s later adds to the decay and is left to the fit to tell."""
    samples = struck([MODE], [(2.0, 1.0), (2.4, 1.0)], SECONDS) + noise(0.02, N, 8)

    assert [one.time_s for one in cut(samples[None])] == pytest.approx([2.0], abs=0.01)


def test_no_more_than_a_bound_is_held(monkeypatch: pytest.MonkeyPatch) -> None:
    """A decay that nothing ends is cut; the record goes on."""
    monkeypatch.setattr("buffet.resonance.strikes.LONGEST_S", 2.0)
    found = cut(two_channels())

    assert [one.ended_by for one in found] == ["longest"] * 3
    assert max(one.samples.shape[1] for one in found) <= 2.1 * RATE_HZ
