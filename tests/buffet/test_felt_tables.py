"""The page's tables of what is felt and of where the uncertainty comes from, and the sentences."""

from __future__ import annotations

import pytest

from buffet.rating.wording import budget_text, felt_text, not_rated_text, onsets_text, remedy
from buffet.report.felt_tables import FELT_AXES, budget_rows, felt_rows
from tests.buffet.report_campaign import comparison


def test_felt_rows_hold_what_the_rating_says() -> None:
    """One row a configuration; each axis, the total with its interval, and the reaction."""
    rating = comparison().rating
    rows = {row.name: row for row in felt_rows(rating)}

    assert set(rows) == {one.name for one in rating.configurations}
    for one in rating.configurations:
        felt, row = one.curves.felt, rows[one.name]
        assert felt is not None
        for axis, text in zip(FELT_AXES, row.axes, strict=True):
            assert float(text) == pytest.approx(felt.axes[axis].value, rel=0.06)
        assert float(row.total.split()[0]) == pytest.approx(felt.total.value, rel=0.01)
        # A sixtieth of the standard's lowest range at most: nobody on a bus would complain.
        assert row.reaction == "not uncomfortable"
        assert felt.shaking is not None
        assert (row.over_time == "–") == (not felt.shaking.exceeded)
        assert "not uncomfortable (ISO 2631-1 C.2.3)" in felt_text(felt)


def test_budget_rows_add_up_and_say_what_to_do() -> None:
    """Shares of the deciding criterion's variance; here the car's own values rule."""
    rating = comparison().rating
    sources, rows = budget_rows(rating)

    assert {"record length", "run to run", "wind speed", "the car"} <= set(sources)
    for row in rows:
        shares = [float(text.removesuffix(" %")) for text in row.shares if text != "–"]
        assert sum(shares) == pytest.approx(100, abs=2)
        assert row.remedy == "The car's own values, measured, with a narrower [spread]"


def test_sentences_name_what_is_not_rated_and_which_onset_comes_first() -> None:
    """Reasons once each; onsets by rising speed."""
    for one in comparison().rating.configurations:
        told = not_rated_text(one.criteria)
        assert "cabin (no channel measures the cabin's pressure" in told
        assert told.startswith("Not rated: ")
        assert remedy(one.criteria[0]) in budget_text(one.criteria[0])
    bare = next(one for one in comparison().rating.configurations if "bare" in one.name)
    assert "state-change (no two states were found)" in not_rated_text(bare.criteria)
    text = onsets_text(bare.criteria)
    assert text.startswith("Onset by criterion, km/h: vertical-")
    assert text.endswith("the others not in the range covered.")
