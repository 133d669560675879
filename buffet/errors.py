"""Errors that end a command with one message.

BuffetError
├── RecordTooShortError   a record that cannot give the wanted resolution
├── TooCoarseError        a resolution that leaves too few samples a segment
├── TooFewSamplesError    a record that no spectrum can be made of
├── NoUsableBandError     a record of which no frequency can be used
├── NotRateableError      a campaign that lacks what a road speed needs
├── NoReferenceProbeError runs whose tunnel's part was to be taken out, but is not known
├── UnknownQuantityError  a quantity that no run has
├── LoadError             a load that its quantity cannot have
├── CalibrationError      a loading table with faults, or one that determines no balance
├── NoResonanceError      a record that no natural frequency can be taken from
├── RoadError             a road that cannot be meant, or a profile that gives none
├── WindError             a wind that cannot be, or shares of yaw angles with faults
├── PlanError             a campaign that cannot be planned from what was stated
├── SpeedTraceError       a file of road speed over time with faults
├── UnknownFormatError    a JSON document that no command prints
├── ClusterError          a cluster that cannot be reached, or that lacks what a run needs
├── WorkerError           processes that cannot be given what they are to read, or cannot load it
├── OutputError           a result that cannot be written as asked
├── CriteriaError         a criteria file with faults (rating/criteria.py)
├── SpectrumError         a spectrum that nothing can be computed from (spectral/stated_psd.py)
├── VibrationRecordError  samples that cannot be weighted (perception/sampled.py)
├── OpeningError          an open cabin that cannot be (cabin/openings.py)
├── ImpossibleCarError    a car whose masses or stiffnesses contradict each other
│                         (vehicle/masses.py)
├── MissingCarDataError   a car that lacks what a motion needs (vehicle/needs.py)
├── UnstableCarError      a car that has no steady response at a speed (vehicle/lateral.py)
└── UnknownCarError       a car that is neither a typical one nor a file (vehicle/typical.py)
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from difflib import SequenceMatcher, get_close_matches
from math import ceil, floor, isinf, log10
from typing import Any

from buffet.phrases import by_reason


class BuffetError(Exception):
    """Anything the user can put right; the text says what, where and how."""


class RecordTooShortError(BuffetError):
    """The record does not hold the segments that a wanted resolution needs."""

    def __init__(
        self, record_s: float, segment_s: float, fewest: int = 1, run: str | None = None
    ) -> None:
        self.record_s, self.segment_s, self.fewest = record_s, segment_s, fewest
        self.run = run
        needed_s = segment_s * (fewest + 1) / 2
        remedy = "use a longer run"
        if record_s:
            possible_hz = (fewest + 1) / 2 / record_s
            remedy = f"use {_rounded_up(possible_hz)} Hz or coarser, or a longer run"
        super().__init__(
            f"{'' if run is None else f'run {run}: '}a resolution of {1 / segment_s:.3g} Hz "
            f"needs segments of {segment_s:.3g} s and a record of {needed_s:.3g} s; "
            f"this one has {record_s:.3g} s: {remedy}"
        )

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), (self.record_s, self.segment_s, self.fewest, self.run)

    def of_run(self, run: str) -> RecordTooShortError:
        """The same, said of a run."""
        return RecordTooShortError(self.record_s, self.segment_s, self.fewest, run)


class TooCoarseError(BuffetError):
    """Segments of the wanted resolution have hardly any samples."""

    def __init__(self, rate_hz: float, resolution_hz: float, fewest: int, run: str | None) -> None:
        self.rate_hz, self.resolution_hz, self.fewest = rate_hz, resolution_hz, fewest
        self.run = run
        super().__init__(
            f"{'' if run is None else f'run {run}: '}a resolution of {resolution_hz:.4g} Hz leaves "
            f"segments of {rate_hz / resolution_hz:.1f} samples at {rate_hz:.4g} Hz, and {fewest} "
            f"are needed: use {_rounded_down(rate_hz / fewest)} Hz or finer"
        )

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), (self.rate_hz, self.resolution_hz, self.fewest, self.run)

    def of_run(self, run: str) -> TooCoarseError:
        """The same, said of a run."""
        return TooCoarseError(self.rate_hz, self.resolution_hz, self.fewest, run)


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


class ClusterError(BuffetError):
    """A cluster cannot be reached, or its workers cannot do what is asked of them."""


class WorkerError(BuffetError):
    """Processes cannot be given the runs that they are to read, or cannot begin."""


def _rounded_up(value: float) -> str:
    """Two digits at least, and never less than the value: what is named must be possible."""
    if value <= 0 or isinf(value):
        return str(value)
    unit = 10.0 ** (floor(log10(value)) - 1)
    return f"{ceil(value / unit - 1e-9) * unit:.5g}"


def _rounded_down(value: float) -> str:
    """Likewise, and never more."""
    unit = 10.0 ** (floor(log10(value)) - 1)
    return f"{floor(value / unit + 1e-9) * unit:.5g}"


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
        near = _nearest(name, known)
        remark = f"; did you mean {near!r}?" if near else f"; known are {', '.join(known)}"
        super().__init__(f"no run has a quantity {name!r}{remark}")


def _nearest(name: str, known: Sequence[str]) -> str | None:
    """The known name most like it, whatever its case and the order of its words."""
    plain = {one: " ".join(sorted(one.lower().split())) for one in known}
    wanted = " ".join(sorted(name.lower().split()))
    near = get_close_matches(wanted, plain.values(), 1)
    alike = [one for one, words in plain.items() if words in near]
    return max(alike, key=lambda one: SequenceMatcher(None, name, one).ratio(), default=None)


class UnknownFormatError(BuffetError):
    """The schema of a document was wanted that no command prints."""

    def __init__(self, name: str, known: Sequence[str]) -> None:
        self.name = name
        near = _nearest(name, known)
        remark = f"did you mean {near!r}?" if near else f"known are {', '.join(known)}"
        super().__init__(f"no command prints a document {name!r}; {remark}")


class LoadError(BuffetError):
    """A load in a unit that its quantity cannot have."""

    def __init__(self, quantity: str, measures: str, unit: str, wanted: str) -> None:
        self.quantity, self.unit = quantity, unit
        super().__init__(
            f"--load {quantity!r}: it measures {measures}, which has no value in {unit}; "
            f"wanted a value in {wanted}, or a coefficient"
        )


class CalibrationError(BuffetError):
    """A loading table has faults, or does not determine what was asked for."""


class NoResonanceError(BuffetError):
    """A record that no natural frequency and damping can be taken from."""


class RoadError(BuffetError):
    """No road can be made of what was given: a class, an unevenness or a profile."""


class WindError(BuffetError):
    """No distribution of yaw on the road can be made of what was given."""


class PlanError(BuffetError):
    """No campaign can be planned from what was stated."""


class SpeedTraceError(BuffetError):
    """No drive can be made of a file of road speed over time."""


class OutputError(BuffetError):
    """The result cannot be written to that file."""
