"""Tubing between taps and sensors: where wind-off noise ends its correction, and what was done."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from buffet.run_analysis import RunAnalysis
from buffet.spectral.reduction import FIRST_BIN
from buffet.spectral.segments import SegmentSpectra
from buffet.usable_band import JUDGED_SPEED_M_S, WANTED_HZ
from ingest import Channel, Finding, FlowState, Model, RigResponse, Run, TubingCorrection

Array = NDArray[np.float64]

# Noise counts from here on: below, the correction raises its power by less than a tenth, and it is
# as harmful without (engineering judgement).
COUNTS_FROM_AMPLIFICATION = 1.05
# Noise and reading are compared over a third of an octave, or this many bins where that is wider:
# with the ten segments of a short wind-off run chance then moves their ratio by a tenth.
THIRD_OCTAVE, FEWEST_BINS = 2 ** (1 / 6), 9

NO_TUBING = "no tubing is stated"
NO_GAS = "the stated fluid is not air, and the tubes' response is modelled for air alone"
_NAMED = 4  # channels of one tubing that a finding names


def noisy_from_hz(
    channels: Sequence[Channel],
    spectra: SegmentSpectra,
    wind_off: Sequence[RunAnalysis],
    rig: RigResponse,
) -> dict[str, float]:
    """Where, by name of a tubed channel, its correction would amplify noise more than signal.

    The first frequency at which the wind-off runs' PSD exceeds the stated share of the reading's;
    channels without such a frequency are not listed.
    """
    found = {}
    frequency = spectra.frequency_hz
    for index, channel in enumerate(channels):
        response = rig.tubing_response(frequency, channel)
        noise = [
            n for zero in wind_off if (n := _own_psd(zero, channel.name, frequency)) is not None
        ]
        if response is None or not noise:
            continue
        share = _smoothed(np.mean(noise, axis=0)) / _smoothed(spectra.psd[index])
        counts = np.abs(response) < 1 / COUNTS_FROM_AMPLIFICATION
        counts[:FIRST_BIN] = False
        noisy = np.flatnonzero(counts & (share > rig.bounds.largest_noise_share))
        if noisy.size:
            found[channel.name] = float(frequency[noisy[0]])
    return found


def _own_psd(run: RunAnalysis, name: str, frequency_hz: Array) -> Array | None:
    """PSD of a run's channel of that name on other bins."""
    for index, channel in enumerate(run.run.channels):
        if channel.name == name:
            own = run.spectra
            return np.asarray(np.interp(frequency_hz, own.frequency_hz, own.psd[index]))
    return None


def _smoothed(psd: Array) -> Array:
    """Mean over a third of an octave, or a few bins, around each; bins of the mean left out."""
    bins = np.arange(len(psd))
    half = FEWEST_BINS // 2
    low = np.clip(np.minimum(bins / THIRD_OCTAVE, bins - half), FIRST_BIN, None).astype(int)
    high = np.clip(np.maximum(bins * THIRD_OCTAVE, bins + half), FIRST_BIN, len(psd) - 1).astype(
        int
    )
    total = np.concatenate([[0.0], np.cumsum(psd)])
    mean = (total[high + 1] - total[low]) / (high + 1 - low)
    return np.asarray(np.maximum(mean, np.finfo(float).tiny))


def tubing_of(run: RunAnalysis, index: int) -> tuple[TubingCorrection | None, str | None]:
    """What was done about the tubing behind one of a run's quantities, or why nothing was."""
    row = run.signal.quantities[index].fluctuation_row
    tubed = [c for c, used in zip(run.run.channels, row, strict=True) if used and c.tubing]
    if not tubed:
        return None, NO_TUBING
    done = run.rig.tubing_correction(tubed[0])
    return done, NO_GAS if done is None else None


def tubing_findings(
    run: Run, rig: RigResponse, flow: FlowState | None, model: Model | None
) -> Iterator[Finding]:
    """What was done about each tubing of a run with wind, and where it cuts the band."""
    if run.kind == "wind-off":
        return
    alike: dict[TubingCorrection | None, list[Channel]] = {}
    for channel in run.channels:
        if channel.tubing:
            alike.setdefault(rig.tubing_correction(channel), []).append(channel)
    to_road = JUDGED_SPEED_M_S / flow.speed_m_s * model.scale if flow and model else None
    for done, channels in alike.items():
        names = _names(channels)
        alone = channels[0].name if len(channels) == 1 else None
        if done is None:
            yield Finding(
                "warning",
                "tubing-not-corrected",
                run.number,
                alone,
                f"the tubing of {names} is not corrected: {NO_GAS}. Fluctuations are those at the "
                "sensor, not at the tap.",
                "Trust the mean, or state the tubing's measured response.",
            )
            continue
        yield _corrected(run, names, alone, done, to_road)
        if to_road is not None and done.to_hz * to_road < WANTED_HZ:
            yield from _cut(run, rig, channels[0], (names, alone), done, to_road)


def _names(channels: Sequence[Channel]) -> str:
    names = [channel.name for channel in channels]
    more = len(names) - _NAMED
    return ", ".join(names[:_NAMED]) + (f" and {more} more" if more > 0 else "")


def _corrected(
    run: Run, names: str, alone: str | None, done: TubingCorrection, to_road: float | None
) -> Finding:
    is_measured = done.model == "measured"
    how = "as measured" if is_measured else f"after {done.model}"
    return Finding(
        "note",
        "tubing-corrected",
        run.number,
        alone,
        f"the tubing of {names} is corrected {how}, up to {_reach(done, to_road)}: its reading is "
        f"amplified by up to {done.largest_amplification:.3g}, and its lag taken out, "
        f"{1e3 * done.lag_s:.3g} ms for slow changes.",
        "Measure the response again where tube or sensor changed."
        if is_measured
        else "State tubes and volumes as built: near a resonance the response goes with each.",
    )


def _reach(done: TubingCorrection, to_road: float | None) -> str:
    own = f"{done.to_hz:.3g} Hz"
    if to_road is None:
        return own
    return f"{own} ({done.to_hz * to_road:.3g} Hz on the road at {JUDGED_SPEED_M_S * 3.6:.0f} km/h)"


def _cut(
    run: Run,
    rig: RigResponse,
    channel: Channel,
    said: tuple[str, str | None],
    done: TubingCorrection,
    to_road: float,
) -> Iterator[Finding]:
    """A band that ends at the tubing before it is wide enough, and what would widen it."""
    wanted_hz = WANTED_HZ / to_road
    if done.to_hz >= rig.untubed_to_hz(channel):
        return  # sample rate and filter end it
    if rig.noisy_from_hz.get(channel.name) == done.to_hz:
        why = "beyond, the correction would amplify the noise of the wind-off run"
        advice = "Use a shorter or wider tube, or a sensor with less noise."
    elif done.model == "measured":
        why = "its measured response ends there or needs more than the largest amplification"
        advice = "Measure the response further, or use a shorter or wider tube."
    else:
        why = f"beyond, it needs an amplification above {rig.bounds.largest_amplification:g}"
        length_m = rig.longest_tubing_m(channel, wanted_hz)
        advice = (
            f"With this bore and volume, tubing of {length_m:.2g} m at most would do."
            if length_m is not None
            else "No length of this bore and volume would do: use a wider tube or a smaller volume."
        )
    yield Finding(
        "warning",
        "tubing-cuts-band",
        run.number,
        said[1],
        f"the tubing of {said[0]} ends its band at {_reach(done, to_road)}: {why}; "
        f"{WANTED_HZ:g} Hz on the road need {wanted_hz:.3g} Hz.",
        advice,
    )
