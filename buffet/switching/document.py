"""One state or two as JSON; formats, computes nothing."""

from __future__ import annotations

from buffet.json_values import Document, interval, number
from buffet.road_speed import NO_ROAD
from buffet.run_spectra import NO_LENGTHS
from buffet.switching.decision import LEVEL, QuantityTest
from buffet.switching.state_values import StatePsd, StateValues
from buffet.switching.two_states import States, TwoStates
from buffet.switching.visits import Dwell

NOT_TESTED = "no quantity came so far as to be tested"
NO_DWELL = "the mean dwell times are not known"
FEW_VISITS = "too few visits lie wholly within the record"
SHORT_VISITS = "too little of the record lies inside visits"


def document(x: TwoStates) -> Document:
    """The decision, what each quantity says, and the states; null where there is one alone."""
    return {
        "two_states": x.states is not None,
        "p_value": number(x.p_value),
        "p_value_why": NOT_TESTED if x.p_value is None else None,
        "called_below": LEVEL,
        "holds_more": list(x.holds_more),
        "tests": [_test(test) for test in x.tests],
        "states": None if x.states is None else _states(x, x.states),
        "states_why": x.why_one or None,
    }


def _test(test: QuantityTest) -> Document:
    return {
        "quantity": test.name,
        "separation": number(test.separation),
        "average_spacing_s": number(test.chosen.clearest.averaged.spacing_s),
        "changes": test.changes,
        "p_levels": number(test.p_levels),
        "p_likelihood": number(test.p_likelihood),
        "p_value": number(test.p_value),
        "why": test.why or (None if test.is_two_states else "a clearer quantity shows two states"),
    }


def _states(x: TwoStates, states: States) -> Document:
    road = None if x.road_per_model is None else states.rate_hz.scaled(x.road_per_model)
    lengths = None if x.lengths_per_s is None else states.rate_hz.scaled(1 / x.lengths_per_s)
    level_psd = states.level_psd
    return {
        "clearest": states.values.name,
        "average_spacing_s": states.spacing_s,
        "separation": number(states.separation),
        "changes": states.changes,
        "reliable": states.is_reliable,
        "changes_per_s": interval(states.rate_hz),
        "changes_per_length": interval(lengths),
        "changes_per_length_why": NO_LENGTHS if lengths is None else None,
        "road_changes_per_s": interval(road),
        "road_why": NO_ROAD if road is None else None,
        "change_s": (x.start_s + states.visits.start[1:] * states.spacing_s).tolist(),
        "lower": _dwell(x, states.dwell[0]),
        "upper": _dwell(x, states.dwell[1]),
        "level_psd": None if level_psd is None else level_psd.tolist(),
        "level_psd_why": NO_DWELL if level_psd is None else None,
        "quantities": [_values(values) for values in states.quantities],
    }


def _dwell(x: TwoStates, dwell: Dwell) -> Document:
    mean = dwell.mean_s
    lengths = None if mean is None or x.lengths_per_s is None else mean.scaled(x.lengths_per_s)
    road = None if mean is None or x.road_per_model is None else mean.scaled(1 / x.road_per_model)
    return {
        "share": dwell.share,
        "mean_s": interval(mean),
        "mean_why": dwell.why or None,
        "mean_lengths": interval(lengths),
        "mean_lengths_why": (dwell.why or NO_LENGTHS) if lengths is None else None,
        "road_mean_s": interval(road),
        "road_why": (dwell.why or NO_ROAD) if road is None else None,
        "seen_mean_s": number(dwell.seen_s),
        "whole_visits_s": dwell.whole_s.tolist(),
        "p_exponential": number(dwell.p_exponential),
        "p_exponential_why": FEW_VISITS if dwell.p_exponential is None else None,
    }


def _values(values: StateValues) -> Document:
    lower, upper = values.mean
    return {
        "name": values.name,
        "unit": values.unit,
        "mean_lower": interval(lower),
        "mean_upper": interval(upper),
        "upper_less_lower": interval(values.difference),
        "rms_lower": interval(values.rms[0]),
        "rms_upper": interval(values.rms[1]),
        "rms_why": SHORT_VISITS if None in values.rms else None,
        "share_of_variance": number(values.share),
        "frequency_hz": values.frequency_hz.tolist(),
        "psd_lower": _psd(values.psd[0]),
        "psd_upper": _psd(values.psd[1]),
        "psd_why": values.why or None,
    }


def _psd(one: StatePsd | None) -> Document | None:
    if one is None:
        return None
    return {
        "segments": one.segments,
        "degrees_of_freedom": one.degrees_of_freedom,
        "psd": one.psd.tolist(),
    }
