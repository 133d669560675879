"""The fundamental named from peaks of all channels, and published Strouhal numbers recovered."""

import numpy as np
import pytest

from buffet.interval import Interval
from buffet.spectral.engine import SegmentEngine
from buffet.spectral.peaks import Peak, PeakKind, find_peaks
from buffet.spectral.segments import SegmentSettings
from buffet.spectral.strouhal import NamedPeaks, mark_harmonics, name_fundamental
from tests.thorough.records import RATE_HZ, Resonance, from_density


def peak(frequency_hz: float, rms: float, kind: PeakKind = "broad", spread: float = 0.01) -> Peak:
    """A peak known to `spread`."""
    frequency = Interval(frequency_hz, frequency_hz * (1 - spread), frequency_hz * (1 + spread))
    width = frequency_hz / 6 if kind == "broad" else 0.0
    return Peak(
        frequency, Interval(width, width * 0.8, width * 1.2), Interval(rms, rms, rms), 0.002, kind
    )


def channel(measures: str, *peaks: Peak, rms: float = 1.0) -> NamedPeaks:
    """A channel named for what it measures."""
    return NamedPeaks(f"the {measures}", measures, rms, peaks)


def frequency_of(*channels: NamedPeaks) -> float:
    """Frequency of the fundamental."""
    found, _ = name_fundamental(channels)
    assert found is not None
    return found.frequency_hz.value


def test_lift_at_f_and_drag_at_twice_it_give_f() -> None:
    """A body that is symmetric top to bottom: drag moves twice a shedding cycle."""
    lift, drag = channel("lift", peak(10, 0.5)), channel("drag", peak(20.1, 0.8))
    found, why = name_fundamental([drag, lift])
    assert found is not None
    assert found.frequency_hz.value == 10
    assert found.channel == "the lift"
    assert "the drag shows twice this frequency" in why


def test_the_second_harmonic_is_marked() -> None:
    """Up to the fourth multiple, within the peak's interval; others keep their kind."""
    peaks = (peak(10, 1), peak(20.1, 1), peak(30, 1, "line"), peak(25, 1), peak(50, 1))
    kinds = [p.kind for p in mark_harmonics(peaks, 10.0)]
    assert kinds == ["broad", "harmonic", "harmonic", "broad", "broad"]


def test_lift_at_twice_the_side_force_names_the_side_force() -> None:
    """A lateral mode shows in lift at 2f only."""
    lift, side = channel("lift", peak(20, 0.9)), channel("side force", peak(10.05, 0.2))
    found, why = name_fundamental([lift, side])
    assert found is not None
    assert found.frequency_hz.value == 10.05
    assert found.channel == "the side force"
    assert "half the frequency of the lift's strongest" in why


def test_lift_and_side_force_of_their_own_keep_apart() -> None:
    """Unrelated frequencies: vertical shedding is named."""
    assert frequency_of(channel("side force", peak(7, 0.9)), channel("lift", peak(10, 0.4))) == 10


@pytest.mark.parametrize("rms", [0.3, 0.65])
def test_a_fan_line_is_not_the_wake(rms: float) -> None:
    """A line with less than half of the variance, taller than the wake's broad peak."""
    lift = channel("lift", peak(33, rms, "line"), peak(10, 0.2))
    assert frequency_of(lift) == 10


def test_a_line_that_carries_the_whole_fluctuation_is_the_wake() -> None:
    """Periodic shedding at low Reynolds number."""
    assert frequency_of(channel("lift", peak(10, 0.95, "line"))) == 10


def test_the_strongest_of_several_peaks_is_named() -> None:
    """By its share of the channel's variance."""
    assert frequency_of(channel("lift", peak(4, 0.3), peak(10, 0.6), peak(17, 0.2))) == 10


def test_drag_alone_says_that_the_wake_may_shed_at_half() -> None:
    """Nothing else was measured."""
    found, why = name_fundamental([channel("drag", peak(20, 0.5))])
    assert found is not None
    assert "no lift or side force was measured, so the wake may shed at half of it" in why


def test_no_peak_gives_no_fundamental() -> None:
    """And says so; a weak line alone is no wake either."""
    channels = [channel("lift"), channel("drag", peak(50, 0.1, "line"))]
    found, why = name_fundamental(channels)
    assert found is None
    assert "rises above its background" in why


def test_a_dead_channel_is_passed_over() -> None:
    """RMS of zero divides nothing."""
    dead = channel("lift", peak(3, 0.0), rms=0.0)
    assert frequency_of(dead, channel("lift", peak(10, 0.5))) == 10


# Published Strouhal numbers with their own uncertainty: circular cylinder at Re 3900 (Parnaudeau
# et al. 2008, Phys. Fluids 20, 085101), square cylinder at Re 21400 (Lyn et al. 1995, J. Fluid
# Mech. 304, 285-319), planted as resonances.
CYLINDERS = {"circular": (0.208, 0.002), "square": (0.132, 0.004)}


@pytest.mark.parametrize("name", CYLINDERS)
def test_published_strouhal_numbers_are_recovered(name: str) -> None:
    """Lift at f, drag at 2f with more energy, a fan line in both: St within its uncertainty."""
    strouhal, tolerance = CYLINDERS[name]
    diameter_m, speed_m_s = 0.04, 4.0
    shedding_hz = strouhal * speed_m_s / diameter_m
    lift = Resonance(shedding_hz, shedding_hz / 40, 1.0)
    drag = Resonance(2 * shedding_hz, shedding_hz / 15, 2.0)
    rng = np.random.default_rng(3900)
    time = np.arange(int(120 * RATE_HZ)) / RATE_HZ
    fan = 0.3 * np.sin(2 * np.pi * 71.3 * time)
    records = [from_density(part.density, 1, 120.0, rng) for part in (lift, drag)]
    samples = np.concatenate(records) + fan + 0.3 * rng.standard_normal((2, len(time)))
    engine = SegmentEngine(2, SegmentSettings(RATE_HZ, 1500))
    engine.push(samples)
    spectra = engine.finish()
    found = [
        find_peaks(spectra.frequency_hz[2:-1], psd[2:-1], spectra.effective_segments)
        for psd in spectra.psd
    ]
    channels = [
        NamedPeaks(word, word, float(np.std(row)), peaks)
        for word, row, peaks in zip(("lift", "drag"), samples, found, strict=True)
    ]
    fundamental, _ = name_fundamental(channels)
    assert fundamental is not None
    assert fundamental.channel == "lift"
    recovered = fundamental.frequency_hz.value * diameter_m / speed_m_s
    assert recovered == pytest.approx(strouhal, abs=tolerance)
    marked = mark_harmonics(found[1], fundamental.frequency_hz.value)
    assert marked[0].kind == "harmonic"


def test_a_peak_with_hardly_any_of_the_fluctuation_names_nothing() -> None:
    """Half a per cent of the variance is no wake's fundamental."""
    found, why = name_fundamental([channel("lift", peak(10, 0.07))])
    assert found is None
    assert why == "every broad peak holds less than 1% of its channel's variance"


@pytest.mark.parametrize(
    ("words", "listed"),
    [
        (("drag", "pressure"), "the drag and the pressure show twice"),
        (
            ("drag", "pressure", "side force", "yaw moment", "roll moment", "other"),
            "the drag, the pressure, the side force and 3 others show twice",
        ),
    ],
)
def test_channels_at_twice_the_frequency_are_listed_in_short(
    words: tuple[str, ...], listed: str
) -> None:
    """Four names at most, since a rake of taps has dozens."""
    doubled = [channel(word, peak(20, 0.2)) for word in words]
    _, why = name_fundamental([channel("lift", peak(10, 0.9)), *doubled])
    assert listed in why
