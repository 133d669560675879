"""Extremes in a driving time: blocks, intervals over simulated records, and what a run tells."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from buffet.analysis import analyse
from buffet.documents import dumps
from buffet.extremes.blocks import block_count, cut, fine_samples, record_extremes, separate_maxima
from buffet.extremes.document import document
from buffet.extremes.gumbel import MEAN_FRACTILE, Tail
from buffet.extremes.order_statistics import blue
from buffet.extremes.part import of_run
from buffet.extremes.peak_factor import SpectralShape, davenport
from buffet.extremes.result import Extremes
from buffet.extremes.text import text
from buffet.one_pass import AnalysisSettings
from buffet.parts import Absent, Load, PartSettings
from buffet.report.extremes_figure import figure
from buffet.report.look import save
from buffet.run_spectra import RunResult, run_result
from ingest import open_campaign
from tests.buffet.campaigns import lift_run, run_buffet, write_runs
from tests.thorough.extremes import RATE_HZ, SKEWED, WHITE, Process, coverage, table, truths


@pytest.mark.parametrize("process", [WHITE, SKEWED], ids=lambda process: process.name)
def test_intervals_cover_the_worst_value(
    process: Process, capsys: pytest.CaptureFixture[str]
) -> None:
    """90 to 99 % of 120 records of 60 s for 135 s, and of the chance of going beyond the truth.

    The short tail of the skewed process ends at a bound, where intervals are wide on purpose.
    """
    counts = coverage(process, 120, 3, truths(process, 600))
    with capsys.disabled():
        print(f"\n{table(process, counts)}")
    share = 100 * counts.covered / counts.total
    tails = share if process is WHITE else share[:1]
    assert np.all((tails >= 90) & (tails <= 99))
    assert np.all(share >= 90)
    assert 90 <= 100 * counts.chances / counts.total <= 99


def test_bursts_do_not_tell_how_their_tail_goes_on() -> None:
    """Their distribution looks far heavier than its Gaussian end: the interval is wide and holds.

    Bursts of variance 1 that fill a quarter of 135 s: about the largest of 306 mean periods.
    """
    process = Process("bursts", 1.0, loud_s=0.5, quiet_s=1.5)
    (samples,) = process.records(1, 60.0, np.random.default_rng(2))
    found = record_extremes(samples, RATE_HZ, 40.0, process.shape)
    assert not isinstance(found, str)
    assert found.largest.is_untold
    interval = found.largest.in_time(MEAN_FRACTILE, 135.0)
    assert interval.low is not None
    assert interval.high is not None
    assert interval.low < davenport(306.0)[0] < interval.high
    beyond = found.largest.furthest + 0.5
    assert found.largest.chance(beyond, 135.0).low == 0.0


def gumbel_tail(sign: int) -> Tail:
    """Blocks of 2 s whose extremes lie as Gumbel maxima of mode 5 and scale 1 do on average."""
    n = 20
    return Tail(sign, 0.0, 1.0, 2.0, sign * (5.0 + blue(n).reduced_means), 1.0, np.ones(n))


@pytest.mark.parametrize("sign", [1, -1])
def test_a_tail_is_carried_to_a_longer_time(sign: int) -> None:
    """u_T = u + ln(T / t) / a, its mean γ / a further (Gumbel 1958); at u_T the chance 1 - e^-1."""
    tail = gumbel_tail(sign)
    assert (tail.mode, tail.scale) == pytest.approx((5.0, 1.0))
    time_s = 2.0 * np.exp(3.0)
    mean = tail.in_time(MEAN_FRACTILE, time_s)
    assert mean.value == pytest.approx(sign * (5 + 3 + 0.5772), abs=1e-3)
    assert mean.low is not None
    assert mean.high is not None
    assert mean.low < mean.value < mean.high
    chance = tail.chance(sign * 8.0, time_s)
    assert chance.value == pytest.approx(1 - np.exp(-1))
    assert chance.low is not None
    assert chance.high is not None
    assert 0 < chance.low < chance.value < chance.high < 1
    assert tail.chance(sign * 60.0, time_s).value == pytest.approx(0.0, abs=1e-12)
    assert tail.correlation == pytest.approx(1.0)
    assert tail.fit_p > 0.99


def test_a_cosine_between_samples_shows_its_peak() -> None:
    """Sampled 2.5 times a period samples reach 0.81 to 1 of it, interpolated ones 0.92 at least."""
    time_s = np.arange(5000) / 50.0
    fine, fine_hz = fine_samples(np.cos(2 * np.pi * 19.9 * time_s + 1.0), 50.0, 20.0)
    assert fine_hz >= 8 * 20.0
    assert cut(fine, 50).max(axis=1) == pytest.approx(1.0, abs=0.08)


def test_one_excursion_counts_once() -> None:
    """A hill across the border of two blocks: the second gives its own next value."""
    samples = np.zeros(40)
    samples[18:22] = (2.0, 5.0, 4.0, 2.0)
    samples[33] = 3.0
    assert separate_maxima(cut(samples, 2), 4).tolist() == [5.0, 3.0]
    assert separate_maxima(cut(samples, 2), 1).tolist() == [5.0, 4.0]


@pytest.mark.parametrize(("record_s", "expected"), [(1000.0, 24), (50.0, 10), (41.0, 8), (39.0, 0)])
def test_blocks_are_long_against_the_fluctuation(record_s: float, expected: int) -> None:
    """At least 20 mean periods of 0.25 s each, and eight blocks at least."""
    assert block_count(record_s, 0.25, 0.1) == expected


def test_records_without_extremes_say_why() -> None:
    """Too short, or clipped on both sides."""
    shape = SpectralShape(10.0, 0.5, 0.05)
    short = record_extremes(np.zeros(400), RATE_HZ, 40.0, shape)
    assert isinstance(short, str)
    assert "2 s do not hold 8 blocks" in short
    clipped = record_extremes(np.zeros(20_000), RATE_HZ, 40.0, shape)
    assert isinstance(clipped, str)
    assert "clipped" in clipped


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One run of 40 s."""
    return write_runs(
        tmp_path_factory.mktemp("extremes") / "campaign", [lift_run("1", 0.02, seconds=40.0)]
    )


@pytest.fixture(scope="module")
def result(campaign: Path) -> RunResult:
    """Its result, with a copy of its samples and without peaks."""
    settings = AnalysisSettings(keeps=frozenset({"copy"}))
    return run_result(analyse(open_campaign(campaign), None, settings).runs[0], lambda _: False)


def test_a_run_is_carried_to_the_road(result: RunResult, tmp_path: Path) -> None:
    """10 min at 36 m/s: 600 s * (36 / 40) * 0.3 in a tunnel at 40 m/s; newtons: ½ ρ V² A / 0.3²."""
    load = Load("lift", 300.0, "N")
    found = of_run(result, PartSettings(36.0, loads=(load,)))
    assert isinstance(found, Extremes)
    assert found.model_time_s == pytest.approx(600 * 0.9 * 0.3)
    (lift,) = (one for one in found.quantities if one.quantity.name == "lift")
    assert lift.full_scale_unit == "N"
    assert lift.full_scale == pytest.approx(0.5 * 1.199 * 36.0**2 * 0.194 / 0.09, rel=1e-3)
    told = text(found)
    assert max(map(len, told.splitlines())) <= 80
    assert "Extremes in 10 min at 130 km/h" in told
    assert "Probability of lift above 300 N at least once in that time: " in " ".join(told.split())
    own = json.loads(dumps(document(found)))["quantities"][0]["largest"]
    road, tunnel = own["full_scale_fractile_57"], own["fractile_57"]
    assert road["value"] == pytest.approx(tunnel["value"] * lift.full_scale)
    save(lambda: figure([(result, found)]), tmp_path / "x.png")
    assert (tmp_path / "x.png").stat().st_size > 10_000


def test_the_largest_value_of_a_gaussian_run_is_davenports(result: RunResult) -> None:
    """In the record's own 40 s, within four times its scatter."""
    found = of_run(result, PartSettings(driving_time_s=40.0))
    assert isinstance(found, Extremes)
    (lift,) = (one for one in found.quantities if one.quantity.name == "lift")
    assert lift.largest is not None
    assert lift.peak_factor is not None
    tail = lift.largest.tail
    reached = (tail.furthest - tail.mean) / tail.rms
    assert abs(reached - lift.peak_factor.davenport) < 4 * lift.peak_factor.davenport_scatter


def test_loads_need_a_road_speed(campaign: Path) -> None:
    """Newtons of the full-size car mean nothing without it; a coefficient does."""
    options = ("--what", "extremes", "--load", "lift", "9 N", "--load", "lift", "0.5")
    shown = run_buffet("spectra", campaign, *options).stdout
    assert "lift above 9 N: not told, a coefficient or a road speed is wanted." in shown
    assert "Probability of lift above 0.5 at least once in that time: " in shown


def test_what_is_taken_out_of_the_spectra_alone_is_told(result: RunResult) -> None:
    """The tunnel's part and the lines are still in the samples."""
    own = result.analysis
    found = of_run(
        replace(result, analysis=replace(own, as_read=own, with_lines=own)), PartSettings()
    )
    assert isinstance(found, Extremes)
    told = " ".join(text(found).split())
    assert "The extremes hold the lines and what follows the reference probes." in told
    assert document(found)["holds_more"] == ["the lines", "what follows the reference probes"]


def test_a_run_without_a_copy_has_none(result: RunResult) -> None:
    """And says so."""
    bare = replace(result, analysis=replace(result.analysis, copy=None))
    assert of_run(bare, PartSettings()) == Absent("no copy of its samples was kept")
