"""The page's section on wakes of two states."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from buffet.interval import NORMAL_HALF_WIDTH, Interval
from buffet.rating.motions import RIDE
from buffet.rating.rate import ConfigurationRating, Rating
from buffet.rating.state_change import NO_COPY, changes_a_second
from buffet.report.wording import NONE, significant, spanned
from buffet.switching.force_states import ForceStates
from buffet.switching.two_states import RELIABLE_CHANGES

STEPS = RIDE  # components whose step from state to state is told


class StatesRow(NamedTuple):
    """One configuration: whether its wake holds two states by turns."""

    configuration: str
    runs: str  # that show them, of all
    changes: str
    between_s: str  # mean time between changes on the road at the rated speed
    says: str


class StepRow(NamedTuple):
    """One run that shows two states: what a change does to the force."""

    run: str
    configuration: str
    wind: str  # m/s
    changes: str
    steps: tuple[str, ...]  # upper less lower state, in the order of `STEPS`


def states_rows(rating: Rating) -> list[StatesRow]:
    """Every configuration, in the order of the verdicts."""
    return [_states_row(one, rating) for one in rating.configurations]


def _states_row(one: ConfigurationRating, rating: Rating) -> StatesRow:
    states, every = one.curves.states, len(one.curves.runs)
    if states is None:
        return StatesRow(one.name, NONE, NONE, NONE, NO_COPY)
    if not states.runs:
        return StatesRow(one.name, f"0 of {every}", NONE, NONE, states.why_none or "")
    rate_hz = float(changes_a_second(states.runs, np.array([rating.speed_m_s]))[0])
    few = states.changes < RELIABLE_CHANGES
    return StatesRow(
        one.name,
        f"{len(states.runs)} of {every}",
        f"{states.changes}",
        significant(1 / rate_hz, 2) if rate_hz > 0 else NONE,
        f"two states; fewer than {RELIABLE_CHANGES} changes, not to be relied on"
        if few
        else "two states by turns",
    )


def step_rows(rating: Rating) -> list[StepRow]:
    """Every run that shows two states."""
    return [
        _step_row(run, one.name)
        for one in rating.configurations
        if one.curves.states is not None
        for run in one.curves.states.runs
    ]


def _step_row(states: ForceStates, configuration: str) -> StepRow:
    flow = states.run.flow
    told = [states.run.fluctuation(word) is not None for word in STEPS]
    half = NORMAL_HALF_WIDTH * np.sqrt(states.variance)
    steps = zip(states.step.tolist(), half.tolist(), told, strict=True)
    return StepRow(
        states.run.run.number,
        configuration,
        NONE if flow is None else f"{flow.speed_m_s:.1f}",
        f"{states.changes}",
        tuple(
            spanned(Interval(step, step - width, step + width), "+.4f") if is_told else NONE
            for step, width, is_told in steps
        ),
    )
