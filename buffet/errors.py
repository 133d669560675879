"""Errors that end a command with one message.

BuffetError
├── RecordTooShortError   a record that cannot give the wanted resolution
├── TooFewSamplesError    a record that no spectrum can be made of
├── NoUsableBandError     a record of which no frequency can be used
├── NotRateableError      a campaign that lacks what a road speed needs
├── NoReferenceProbeError runs whose tunnel's part was to be taken out, but is not known
├── UnknownQuantityError  a quantity that no run has
├── CalibrationError      a loading table with faults, or one that determines no balance
├── NoResonanceError      a record that no natural frequency can be taken from
├── OutputError           a result that cannot be written as asked
├── CriteriaError         a criteria file with faults (rating/criteria.py)
└── ImpossibleCarError    a car whose masses contradict each other (vehicle/ride.py)
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from math import ceil, floor, isinf, log10

from buffet.phrases import by_reason


class BuffetError(Exception):
    """Anything the user can put right; the text says what, where and how."""


class RecordTooShortError(BuffetError):
    """The record does not hold the segments that a wanted resolution needs."""

    def __init__(
        self, record_s: float, segment_s: float, fewest: int = 1, run: str | None = None
    ) -> None:
        self.record_s, self.segment_s, self.fewest = record_s, segment_s, fewest
        needed_s = segment_s * (fewest + 1) / 2
        possible_hz = (fewest + 1) / 2 / record_s if record_s else float("inf")
        super().__init__(
            f"{'' if run is None else f'run {run}: '}a resolution of {1 / segment_s:.3g} Hz "
            f"needs segments of {segment_s:.3g} s and a record of {needed_s:.3g} s; "
            f"this one has {record_s:.3g} s: use {_rounded_up(possible_hz)} Hz or coarser, "
            "or a longer run"
        )

    def of_run(self, run: str) -> RecordTooShortError:
        """The same, said of a run."""
        return RecordTooShortError(self.record_s, self.segment_s, self.fewest, run)


class TooFewSamplesError(BuffetError):
    """The record has hardly any samples."""

    def __init__(self, n_samples: int, wanted: int) -> None:
        self.n_samples, self.wanted = n_samples, wanted
        super().__init__(
            f"the recording has {n_samples} samples, a spectrum with any scatter to judge needs "
            f"{wanted}; was it cut short, or do `from` and `to` leave too little?"
        )


class NoUsableBandError(BuffetError):
    """No bin of the spectrum lies in the band that filter and rig leave."""

    def __init__(self, usable_hz: float, segment_s: float, rate_hz: float) -> None:
        self.usable_hz, self.segment_s, self.rate_hz = usable_hz, segment_s, rate_hz
        super().__init__(
            f"segments of {segment_s:.3g} s at {rate_hz:.5g} Hz have no bin below the "
            f"{usable_hz:.3g} Hz that filter and rig leave; check the sheet's rate or time_unit, "
            "antialias_cutoff and natural_frequency"
        )


def _rounded_up(value: float) -> str:
    """Two digits at least, and never less than the value: what is named must be possible."""
    if value <= 0 or isinf(value):
        return str(value)
    unit = 10.0 ** (floor(log10(value)) - 1)
    return f"{ceil(value / unit - 1e-9) * unit:.5g}"


class NotRateableError(BuffetError):
    """The campaign does not say what a road speed needs."""


class NoReferenceProbeError(BuffetError):
    """The tunnel's part was to be taken out of runs that do not tell it."""

    def __init__(self, why: Mapping[str, str]) -> None:
        self.why = dict(why)
        runs = by_reason((reason, run) for run, reason in why.items())
        told = "; ".join(f"{reason} in run {', '.join(own)}" for reason, own in runs.items())
        super().__init__(
            f"the tunnel's part cannot be taken out: {told}. State a channel with measures = "
            "'reference' in each sheet, leave these runs out, or do without --without-tunnel"
        )


class UnknownQuantityError(BuffetError):
    """A quantity was named that no run has."""

    def __init__(self, name: str, known: Sequence[str]) -> None:
        self.name = name
        near = get_close_matches(name, known, 1)
        remark = f", did you mean {near[0]!r}?" if near else f"; known are {', '.join(known)}"
        super().__init__(f"no run has a quantity {name!r}{remark}")


class CalibrationError(BuffetError):
    """A loading table has faults, or does not determine what was asked for."""


class NoResonanceError(BuffetError):
    """A record that no natural frequency and damping can be taken from."""


class OutputError(BuffetError):
    """The result cannot be written to that file."""
