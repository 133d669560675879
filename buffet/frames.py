"""Results as pandas frames: the rows that `-o FILE.csv` writes, and spectra."""

from __future__ import annotations

from dataclasses import asdict
from functools import singledispatch

import numpy as np
import pandas as pd

from buffet.analysis import CampaignAnalysis
from buffet.comparing import Comparison
from buffet.outputs import comparison_rows, rating_rows
from buffet.planning.plan import Plan
from buffet.rating.rate import Rating
from buffet.run_spectra import RunResult, run_result
from buffet.spectra_outputs import spectra_rows


@singledispatch
def frame(result: object) -> pd.DataFrame:
    """A result as a table.

    Raises
    ------
    TypeError
        It is no result that has one.
    """
    raise TypeError(f"{type(result).__name__} has no table")


@frame.register
def _(result: CampaignAnalysis) -> pd.DataFrame:
    """Mean and RMS of every quantity of every run."""
    results = [run_result(run, lambda quantity: False) for run in result.chosen(None)]
    return pd.DataFrame(spectra_rows(results)).drop(columns=_STROUHAL)


# Of runs whose peaks were not looked for.
_STROUHAL = ["strouhal", "strouhal_low", "strouhal_high"]


@frame.register
def _(result: RunResult) -> pd.DataFrame:
    """PSD of every quantity with its 95 % limits, one row a frequency."""
    parts = [
        pd.DataFrame(
            {
                "run": result.analysis.run.number,
                "quantity": one.quantity.name,
                "measures": one.quantity.measures,
                "unit": one.quantity.unit,
                "frequency_hz": one.frequency_hz,
                "psd": one.psd,
                "psd_low": one.psd * one.psd_factors[0],
                "psd_high": one.psd * one.psd_factors[1],
                "noise_psd": np.nan if one.noise_psd is None else one.noise_psd,
            }
        )
        for one in result.quantities
    ]
    return pd.concat(parts, ignore_index=True)


@frame.register
def _(result: Rating) -> pd.DataFrame:
    """One row a configuration and criterion."""
    return pd.DataFrame(rating_rows(result))


@frame.register
def _(result: Comparison) -> pd.DataFrame:
    """One row an add-on and component."""
    return pd.DataFrame(comparison_rows(result))


@frame.register
def _(result: Plan) -> pd.DataFrame:
    """The runs in the order in which to make them."""
    return pd.DataFrame([asdict(run) for run in result.runs])
