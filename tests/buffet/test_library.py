"""The front page: every result turns into a frame and draws itself on axes given or made."""

from __future__ import annotations

import inspect
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.figure import Figure

import buffet
from buffet.rating.ranking import rank
from tests.buffet.campaigns import two_configurations
from tests.buffet.report_campaign import HOSTILE, comparison


@pytest.fixture(scope="module")
def analysed(tmp_path_factory: pytest.TempPathFactory) -> buffet.CampaignAnalysis:
    """By the folder's name alone."""
    folder = two_configurations(tmp_path_factory.mktemp("library") / "c")
    return buffet.analyse(str(folder))


@pytest.fixture(autouse=True)
def no_figure_stays() -> Iterator[None]:
    """Pyplot keeps what it makes."""
    from matplotlib import pyplot as plt

    yield
    plt.close("all")


def results(analysed: buffet.CampaignAnalysis) -> dict[str, Any]:
    """One of every kind."""
    compared = comparison()
    wishes = buffet.Wishes(scale=0.3, strouhal_length_m=0.435, wind_speeds_m_s=(40.0,))
    return {
        "analysis": analysed,
        "run": buffet.run_result(analysed.runs[0]),
        "rating": compared.rating,
        "comparison": compared,
        "plan": buffet.plan(wishes),
    }


def test_analyse_keeps_what_a_rating_needs(analysed: buffet.CampaignAnalysis) -> None:
    """Bursts and changes of state ask for the forces' samples, which no user should know of."""
    assert all(run.copy is not None for run in analysed.runs)
    assert buffet.analyse(analysed.campaign, ["1"]).runs[0].run.number == "1"


def test_no_number_hangs_on_the_other_speeds_asked_for(
    analysed: buffet.CampaignAnalysis,
) -> None:
    """What is felt at 130 km/h, with an onset looked for up to there and far beyond."""
    ratings = [
        buffet.rate(analysed, buffet.RatingSettings(130 / 3.6, up_to_m_s=up_to / 3.6))
        for up_to in (130, 200)
    ]
    near, far = (rank(rating).ratio("spoiler", "bare") for rating in ratings)

    assert (near.value, near.low, near.high) == pytest.approx((far.value, far.low, far.high))
    values = [
        [
            (row.metric.low, row.metric.value, row.metric.high)
            for one in rating.configurations
            for row in one.criteria
            if row.metric is not None
        ]
        for rating in ratings
    ]
    assert np.array(values[0]) == pytest.approx(np.array(values[1]))


def test_frames(analysed: buffet.CampaignAnalysis) -> None:
    """One row each as the CSV has it, values as the results hold them."""
    every = results(analysed)
    rating, compared = every["rating"], every["comparison"]
    runs = every["analysis"].frame()
    assert set(runs["run"]) == {"0", "1", "2"}
    lift = runs[(runs["run"] == "1") & (runs["quantity"] == "lift")].iloc[0]
    assert lift["rms"] == pytest.approx(0.03, rel=0.1)
    assert lift["rms_low"] < lift["rms"] < lift["rms_high"]

    table = rating.frame()
    assert len(table) == len(rating.configurations) * len(rating.criteria.rows)
    first = rating.configurations[0]
    assert table["metric"].iloc[0] == first.criteria[0].metric.value
    changes = compared.frame()
    assert len(changes) == sum(len(one.rms_ratio) for one in compared.add_ons)

    planned = every["plan"].frame()
    assert list(planned["number"]) == [run.number for run in every["plan"].runs]


def test_a_runs_frame_is_its_spectra(analysed: buffet.CampaignAnalysis) -> None:
    """The sum of the bins is the variance of the RMS, but for what lies below the resolution."""
    result = buffet.run_result(analysed.runs[0])
    table = result.frame()
    lift = table[table["quantity"] == "lift"]
    step_hz = np.diff(lift["frequency_hz"])[0]

    assert (lift["psd"].sum() * step_hz) ** 0.5 == pytest.approx(0.03, rel=0.1)
    assert (lift["psd_low"] < lift["psd"]).all()


@pytest.mark.parametrize("kind", ["analysis", "run", "rating", "comparison", "plan"])
def test_results_draw_themselves(analysed: buffet.CampaignAnalysis, kind: str) -> None:
    """On axes that are given, and on axes of their own; the user's settings stay as they are."""
    result = results(analysed)[kind]
    before = dict(mpl.rcParams)
    given = Figure().subplots()

    assert result.plot(given) is given
    made = result.plot()
    assert dict(mpl.rcParams) == before
    for axes in (given, made):
        assert axes.get_xlabel()
        assert len(axes.lines) + len(axes.patches) + len(axes.collections) > 0
        axes.figure.savefig("/dev/null", format="png")


def test_choices_of_plots(analysed: buffet.CampaignAnalysis) -> None:
    """A component, a quantity, a criterion, a cost; a wrong one names the right ones."""
    every = results(analysed)
    assert "drag" in every["analysis"].plot(measures="drag").get_ylabel()
    assert "drag" in every["run"].plot(quantity="drag").get_title(loc="left")
    assert every["rating"].plot(criterion="rear-load").get_title(loc="left") == "rear-load"
    drawn = every["comparison"].plot(over="drag")
    assert "mean drag at 130 km/h" in drawn.get_xlabel()
    assert HOSTILE in [text.get_text() for text in drawn.get_legend().get_texts()]
    with pytest.raises(ValueError, match=r"there is no 'lap'; choose one of .*drag"):
        every["run"].plot(quantity="lap")
    with pytest.raises(ValueError, match="no run measures 'roll moment'"):
        every["analysis"].plot(measures="roll moment")


def test_the_front_page_holds_what_it_names() -> None:
    """Every name is there, documented, and listed."""
    for name in buffet.__all__:
        assert inspect.getdoc(getattr(buffet, name)), name
        assert name in dir(buffet)


def test_a_folder_that_is_no_campaign(tmp_path: Path) -> None:
    """As the commands say it."""
    with pytest.raises(buffet.IngestError, match=r"campaign\.toml"):
        buffet.analyse(tmp_path)
