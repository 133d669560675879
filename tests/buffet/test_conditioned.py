"""What follows a probe and what does not: against scipy, least squares, and planted tunnels."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy.signal
from numpy.typing import NDArray

from buffet.analysis import analyse
from buffet.run_analysis import RunAnalysis
from buffet.spectral.conditioned import ProbeResponse, probe_response, without_probes
from buffet.spectral.engine import SegmentEngine
from buffet.spectral.group_features import GroupFeatures
from buffet.spectral.reduction import ReducedSpectra, reduce
from buffet.spectral.segments import SegmentSettings, SegmentSpectra
from buffet.tunnel_part import TunnelPart, tunnel_part
from ingest import Channel, Quantity, RigResponse, open_campaign
from tests.buffet.campaigns import PlantedRun, band_noise, write_runs

Array = NDArray[np.float64]

RATE_HZ = 200.0
LENGTH = 200
LIFT = Channel("lift", 0, "lift", "N", 1.0)
DRAG = Channel("drag", 1, "drag", "N", 1.0)
TAP = Channel("tap", 2, "pressure", "Pa", 1.0)
PITOT = Channel("pitot", 3, "reference", "Pa", 1.0)
WIRE = Channel("wire", 4, "reference", "m/s", 1.0)
CHANNELS = (LIFT, DRAG, TAP, PITOT, WIRE)
PROBES = (3, 4)


def mixed(n: int = 12_000) -> Array:
    """Lift, drag and a tap that follow two related probes in part, with a delay, and wakes."""
    rng = np.random.default_rng(1)
    pitot, other, *wakes = rng.standard_normal((5, n))
    wire = 0.02 * (0.5 * pitot + other)
    lift = 0.8 * np.roll(pitot, 2) + 30 * wire + wakes[0]
    drag = 0.5 * pitot + wakes[1] + 0.4 * wakes[0]
    tap = 2.0 * np.roll(wire, 1) / 0.02 + wakes[2]
    samples = np.array([lift, drag, tap, pitot, wire])
    return np.asarray(samples - samples.mean(axis=1, keepdims=True))


def spectra_of(samples: Array, probes: tuple[int, ...] = PROBES) -> SegmentSpectra:
    """The forces' cross-spectrum, and each probe's with all."""
    pairs = {(min(i, p), max(i, p)) for p in probes for i in range(len(samples)) if i != p}
    settings = SegmentSettings(RATE_HZ, LENGTH, (0, 1), more_pairs=tuple(sorted(pairs)))
    engine = SegmentEngine(len(samples), settings)
    engine.push(samples)
    return engine.finish()


def quantities(n: int = 5) -> tuple[Quantity, ...]:
    """One a channel, and the sum of the two forces as a pitch moment."""
    each = [Quantity(c.name, c.measures, "1", np.eye(5)[i]) for i, c in enumerate(CHANNELS)]
    both = Quantity("pitch", "pitch moment", "1", np.array([1.0, -2.0, 0.0, 0.0, 0.0]))
    return (*each[:n], both)


def conditioned(
    samples: Array, probes: tuple[int, ...], channels: tuple[Channel, ...] = CHANNELS
) -> tuple[ReducedSpectra, ProbeResponse, ReducedSpectra]:
    """As read, the response, and without the probes but with chance taken out."""
    spectra = spectra_of(samples)
    read = reduce(spectra, channels, quantities(), RigResponse(RATE_HZ))
    follows = probe_response(spectra, read, probes)
    return read, follows, without_probes(spectra, read, follows, 1.0)


def test_coherence_is_scipys() -> None:
    """Hann segments at half overlap of records without mean: the same estimate, bin by bin."""
    samples = mixed()
    _, follows, _ = conditioned(samples, (3,))
    for index in range(3):
        _, expected = scipy.signal.coherence(
            samples[index], samples[3], RATE_HZ, "hann", LENGTH, LENGTH // 2, detrend=False
        )
        np.testing.assert_allclose(follows.coherence[index], expected, rtol=1e-6)


def test_the_conditioned_spectrum_is_what_scipys_coherence_leaves() -> None:
    """(1 - γ²) S_yy of scipy's welch and coherence."""
    samples = mixed()
    _, _, rest = conditioned(samples, (3,))
    settings: dict[str, Any] = {"nperseg": LENGTH, "noverlap": LENGTH // 2, "detrend": False}
    for index in range(3):
        _, psd = scipy.signal.welch(samples[index], RATE_HZ, "hann", **settings)
        _, share = scipy.signal.coherence(samples[index], samples[3], RATE_HZ, "hann", **settings)
        np.testing.assert_allclose(rest.psd[index], (1 - share) * psd, rtol=1e-6, atol=1e-12)


def residuals(samples: Array, target: Array) -> Array:
    """Of complex least squares on both probes, over segments, bin by bin, as one-sided density."""
    cut = np.lib.stride_tricks.sliding_window_view(samples, LENGTH, axis=1)[:, :: LENGTH // 2]
    window = scipy.signal.get_window("hann", LENGTH)
    lines = np.fft.rfft(cut * window, axis=2)
    y = np.tensordot(target, lines, 1)
    left = np.empty_like(y)
    for k in range(y.shape[1]):
        probes = lines[[3, 4], :, k].T
        solved = np.linalg.lstsq(probes, y[:, k], rcond=None)[0]
        left[:, k] = y[:, k] - probes @ solved
    scale = np.full(y.shape[1], 2 / (RATE_HZ * np.sum(window**2)))
    scale[[0, -1]] /= 2
    return np.asarray(np.mean(np.abs(left) ** 2, axis=0) * scale)


def test_two_probes_leave_what_least_squares_leave() -> None:
    """Lift, drag, a tap and a combination of forces, each against numpy's lstsq."""
    samples = mixed()
    _, _, rest = conditioned(samples, PROBES)
    for index in (0, 1, 2, 5):
        expected = residuals(samples, quantities()[index].row)
        np.testing.assert_allclose(rest.psd[index], expected, rtol=1e-6, atol=1e-12)


def test_components_matrix_and_spectra_agree() -> None:
    """|row · X|² of the conditioned matrix is the conditioned combination, group by group."""
    _, _, rest = conditioned(mixed(), PROBES)
    assert rest.components == ("drag", "lift", "pitch moment")
    rows = np.zeros((3, 1, len(rest.frequency_hz)), complex)
    rows[0], rows[1] = -2.0, 1.0
    bands = np.ones((1, 1, len(rest.frequency_hz)))
    combined = GroupFeatures.of([rest], range(3)).variances(rows, bands)[:, 0, 0]
    np.testing.assert_allclose(
        combined, rest.group_psd[:, 5].sum(axis=1) * rest.frequency_step_hz, rtol=1e-8
    )


def test_a_resonance_is_undone_before_and_not_twice() -> None:
    """The conditioned spectrum of a channel with a gain is the gain times that without one."""
    resonant = replace(LIFT, natural_frequency_hz=150.0, damping=0.05)
    samples = mixed()
    _, plain, rest = conditioned(samples, PROBES)
    _, gained, undone = conditioned(samples, PROBES, (resonant, *CHANNELS[1:]))
    ratio = rest.frequency_hz / 150.0
    gain = 1 - ratio**2 + 0.1j * ratio
    np.testing.assert_allclose(undone.psd[0], np.abs(gain) ** 2 * rest.psd[0], rtol=1e-8)
    np.testing.assert_allclose(gained.coherence[0], plain.coherence[0], rtol=1e-8)


def test_the_same_probe_twice_tells_no_more() -> None:
    """A second signal of the first probe in other units, with nothing to divide by."""
    samples = mixed()
    samples[4] = 1e-3 * samples[3]
    _, one, _ = conditioned(samples, (3,))
    _, two, _ = conditioned(samples, PROBES)
    np.testing.assert_allclose(two.coherence[:3], one.coherence[:3], rtol=1e-6)


def test_probes_themselves_and_means_stay() -> None:
    """The probe's own spectrum is as read, and no mean, nor its variance, is touched."""
    read, _, rest = conditioned(mixed() + 3.0, PROBES)
    np.testing.assert_array_equal(rest.group_psd[:, 3:5], read.group_psd[:, 3:5])
    np.testing.assert_array_equal(rest.mean, read.mean)
    np.testing.assert_array_equal(rest.mean_variance, read.mean_variance)
    np.testing.assert_array_equal(rest.mean_freedom, read.mean_freedom)


def test_fitting_the_response_is_paid_back() -> None:
    """n / (n - p), where 119 overlapping segments are worth n = 112.8, 18 K² / (19 K - 1)."""
    _, follows, _ = conditioned(mixed(), PROBES)
    worth = 18 * 119**2 / (19 * 119 - 1)
    assert follows.unbiased == pytest.approx(worth / (worth - 2))


def test_a_response_on_other_bins_is_interpolated() -> None:
    """Halfway between two bins lies their mean."""
    _, follows, _ = conditioned(mixed(), PROBES)
    found = follows.at(np.array([10.5]))
    expected = (follows.response[..., 10] + follows.response[..., 11]) / 2
    np.testing.assert_allclose(found[..., 0], expected)


def planted(seed: int, seconds: float = 60.0, follows: float = 1.0) -> dict[str, Array]:
    """Lift of 0.010 RMS behind a pulsating jet, with a delay, and 0.020 of its own.

    The jet's pressure pulsates between 0.5 and 30 Hz; the lift follows it 24 ms late.
    """
    jet = band_noise(seed, 1.0, seconds, 0.5, 30.0)
    own = band_noise(seed + 10_000, 0.020, seconds, 0.5, 60.0)
    noise = band_noise(seed + 20_000, 0.01, seconds)
    return {
        "lift": follows * 0.010 * np.roll(jet, 6) + own,
        "reference": 12.0 * jet + noise,
    }


def one_run(folder: Path, samples: Mapping[str, Array], *others: PlantedRun) -> RunAnalysis:
    """Run 1 of a campaign of planted samples."""
    keys = {"zero": others[0].number} if others else {}
    run = PlantedRun("1", samples, units={"reference": "Pa"}, **keys)
    analysis = analyse(open_campaign(write_runs(folder, [*others, run])))
    assert analysis.failed == ()
    return analysis.runs[0]


def part_of(run: RunAnalysis) -> TunnelPart:
    """Of the lift."""
    part = tunnel_part(run, 0)
    assert part is not None
    return part


def test_a_planted_tunnel_comes_back(tmp_path: Path) -> None:
    """0.010 and 0.020 lie inside their 95 % intervals in at least 36 of 40 records each."""
    inside = np.zeros(3, int)
    for seed in range(40):
        part = part_of(one_run(tmp_path / str(seed), planted(seed)))
        for i, (found, truth) in enumerate(
            ((part.rms, 0.010), (part.rms_without, 0.020), (part.share, 0.2))
        ):
            assert found is not None
            assert found.low is not None
            assert found.high is not None
            inside[i] += found.low <= truth <= found.high
    assert (inside >= 36).all(), inside


def test_an_unrelated_probe_takes_nothing(tmp_path: Path) -> None:
    """Mean share below 1 % over 40 records whose coherence is 1/n by chance; it covers zero."""
    shares = []
    for seed in range(40):
        part = part_of(one_run(tmp_path / str(seed), planted(seed, follows=0.0)))
        assert part.share is not None
        shares.append((part.share.value, part.share.low, part.share.high))
    values, low, high = np.array(shares, float).T
    assert abs(values.mean()) < 0.01
    assert np.sum((low <= 0) & (high >= 0)) >= 36


def test_hum_in_probe_and_force_leaves_both_sides_once(tmp_path: Path) -> None:
    """20 Hz hum in lift and probe, with wind and without: the rest is the wake's own 0.020."""
    seconds = 60.0
    hum = np.sin(2 * np.pi * 20.0 * np.arange(round(seconds * 250)) / 250)
    samples = planted(1, seconds)
    samples = {"lift": samples["lift"] + 0.02 * hum, "reference": samples["reference"] + 20 * hum}
    still = {
        "lift": 0.02 * hum + band_noise(5, 1e-4, seconds),
        "reference": 20 * hum + band_noise(6, 0.01, seconds),
    }
    off = PlantedRun("0", still, None, units={"reference": "Pa"})
    part = part_of(one_run(tmp_path, samples, off))

    assert part.rms_without is not None
    assert part.rms_as_read is not None
    assert part.rms_without.value == pytest.approx(0.020, rel=0.05)
    assert part.rms_as_read.value == pytest.approx(np.hypot(0.010, 0.020), rel=0.05)


def test_runs_without_a_living_probe_tell_nothing(tmp_path: Path) -> None:
    """No probe, one that never changes, a record too short, and a wind-off run."""
    samples = planted(1, 20.0)
    bare = one_run(tmp_path / "bare", {"lift": samples["lift"]})
    dead = one_run(tmp_path / "dead", samples | {"reference": 0 * samples["reference"]})
    assert (bare.no_probe_why, tunnel_part(bare, 0)) == ("there is no reference probe", None)
    assert (dead.no_probe_why, tunnel_part(dead, 0)) == ("the reference probe never changed", None)
    alive = one_run(tmp_path / "alive", samples)
    assert alive.no_probe_why is None
    assert tunnel_part(alive, 1) is None  # the probe itself
    few = replace(alive, spectra=replace(alive.spectra, n_segments=2))
    assert few.no_probe_why == "the record is too short to tell what follows the reference probe"
    off = replace(alive, run=replace(alive.run, kind="wind-off"))
    assert off.no_probe_why == "there was no wind"


def test_without_the_tunnel_is_a_run_like_any_other(tmp_path: Path) -> None:
    """It remembers the run as read, and taking the part out again changes nothing."""
    run = one_run(tmp_path, planted(2))
    rest = run.without_tunnel
    assert rest is not None
    assert rest.as_read is run
    assert rest.without_tunnel is rest
    again = part_of(rest)
    assert again.rms == part_of(run).rms
