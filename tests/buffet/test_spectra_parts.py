"""The parts of `spectra`: words, what each must have, and how they are chosen."""

from __future__ import annotations

import json
from importlib import import_module
from pathlib import Path

import pytest

from buffet.commands.recordings import WHAT
from buffet.errors import UnknownQuantityError
from buffet.spectra_parts import PARTS, WORDS, Part
from tests.buffet.campaigns import lift_run, run_buffet, write_runs


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One short run."""
    return write_runs(
        tmp_path_factory.mktemp("parts") / "campaign",
        [lift_run("1", 0.02, seconds=20.0)],
    )


def test_the_command_offers_every_part() -> None:
    """Its words are written out there, so that `--help` loads nothing."""
    assert WHAT == WORDS


@pytest.mark.parametrize("part", PARTS, ids=lambda part: part.word)
def test_a_part_has_all_that_is_asked_of_it(part: Part) -> None:
    """The modules are found by their names alone."""
    assert callable(import_module(f"buffet.{part.word}.part").of_run)
    assert callable(import_module(f"buffet.{part.word}.text").text)
    assert callable(import_module(f"buffet.{part.word}.document").document)
    if part.is_drawn:
        assert callable(import_module(f"buffet.report.{part.word}_figure").figure)


def test_parts_that_were_not_asked_for_are_null_with_the_reason(campaign: Path) -> None:
    """Keys stay, whatever was chosen."""
    (run,) = json.loads(run_buffet("spectra", campaign, "--what", "spectrum", "--json").stdout)[
        "runs"
    ]
    for part in PARTS:
        # the spectrum alone asks for none of them
        assert run[part.word] is None
        assert run[f"{part.word}_why"] == "it was not asked for"


@pytest.mark.parametrize("option", [("--pair", "lift", "lfit"), ("--load", "lfit", "3 N")])
def test_an_unknown_quantity_is_refused_before_reading(
    campaign: Path, option: tuple[str, ...]
) -> None:
    """With the nearest known name."""
    result = run_buffet("spectra", campaign, *option)
    assert result.exit_code == 1
    assert "no run has a quantity 'lfit'; did you mean 'lift'?" in result.stderr
    assert not result.stdout


def test_a_load_without_meaning_is_wrong_usage(campaign: Path) -> None:
    """A frequency is no load."""
    result = run_buffet("spectra", campaign, "--load", "lift", "3 Hz")
    assert result.exit_code == 2
    assert "wanted a force, moment, pressure or coefficient" in result.stderr


@pytest.mark.parametrize(
    ("option", "message"),
    [
        (("--load", "lift", "3000"), "got '3000'; wanted a unit, for example \"3000 N\""),
        (("--within", "5"), "got '5'; wanted at most 99 %, for example \"5 %\""),
    ],
)
def test_a_number_that_wants_a_unit_is_wrong_usage(
    campaign: Path, option: tuple[str, ...], message: str
) -> None:
    """3,000 is no coefficient and 5 no share."""
    result = run_buffet("spectra", campaign, *option)
    assert result.exit_code == 2
    assert message in result.stderr


@pytest.mark.parametrize(("unit", "wanted"), [("N m", "N"), ("Pa", "N")])
def test_a_load_of_another_dimension_is_refused(campaign: Path, unit: str, wanted: str) -> None:
    """Before anything is read."""
    result = run_buffet("spectra", campaign, "--load", "lift", f"3 {unit}")
    assert result.exit_code == 1
    assert f"has no value in {unit}; wanted a value in {wanted}, or a coeff" in result.stderr
    assert not result.stdout


def test_the_name_suggested_is_the_nearest_whatever_its_case_and_order() -> None:
    """Of two that are alike in letters the one of the same words."""
    known = ["front lift", "rear lift", "tailgate left"]
    assert "did you mean 'rear lift'?" in str(UnknownQuantityError("Lift rear", known))
    assert "did you mean 'tailgate left'?" in str(UnknownQuantityError("left tailgat", known))


def test_a_pair_is_of_two_quantities(campaign: Path) -> None:
    """One against itself is wrong usage."""
    result = run_buffet("spectra", campaign, "--pair", "lift", "lift")

    assert result.exit_code == 2
    assert "got 'lift' twice; wanted two different quantities" in result.stderr
