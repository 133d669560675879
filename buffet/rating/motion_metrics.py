"""Criteria of the r.m.s. value of a motion."""

from __future__ import annotations

import numpy as np

from buffet.rating.criteria import Criterion
from buffet.rating.metric_curve import MetricCurve
from buffet.rating.motions import MOTIONS
from buffet.rating.pool import MOTION_OF, OVER_ROAD, Pool
from buffet.rating.state_change import too_few_changes


def motion_curve(pool: Pool, row: Criterion) -> MetricCurve:
    """A motion's r.m.s. value in the row's band, or its worst octave over the road's."""
    name = MOTION_OF[row.metric]
    kind = MOTIONS[name]
    if (why := pool.why_not(name)) is not None:
        return MetricCurve(row, None, why, np.zeros(len(pool.setting.speeds_m_s), bool))
    motion = pool.motion(name)
    over_road = row.metric in OVER_ROAD
    found = motion.measured(row.band_hz, over_road=over_road)
    unseen = pool.unseen_of(name, row.band_hz, over_road=over_road)
    estimate = motion.estimate(found.samples, unseen)
    seat = pool.band(name, row.band_hz) if name == "seat z" else None
    covered = motion.covered(row, found.growth()) & pool.setting.answers(name)
    unsure = too_few_changes(pool) if kind.family == "vertical" else None
    return MetricCurve(row, estimate, None, covered, seat, found.octave_hz, unseen, unsure=unsure)
