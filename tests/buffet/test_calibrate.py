"""`buffet calibrate`: a planted balance is found, judged, written and read back."""

from __future__ import annotations

import json
import re
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats

from buffet.calibrating.equations import TermSet
from buffet.calibrating.fit import Calibration, CalibrationSettings, calibrate
from buffet.calibrating.judging import judge
from buffet.calibrating.loadings import read_loadings
from buffet.calibration_text import calibration_text
from buffet.report.calibration_figure import draw_residuals
from ingest import Form, open_campaign, read_balance
from tests.buffet.campaigns import run_buffet
from tests.buffet.loading_tables import FULL_SCALE, Planted, planted
from tests.ingest.balances import random_terms
from tests.ingest.campaigns import CAMPAIGN, run_sheet, write_campaign

PRODUCT = {"output": "b1", "inputs": ["drag", "lift"], "kind": "FG", "coefficient": 4e-8}
SQUARE = {"output": "b3", "inputs": ["lift", "lift"], "kind": "FG", "coefficient": 2e-8}


def fitted(case: Planted, folder: Path, terms: TermSet | None = None, form: Form = "iterative",
           **more: Any) -> Calibration:  # fmt: skip
    """The case's table fitted."""
    return calibrate(case.table(folder), CalibrationSettings(form, terms, **more))


def test_planted_coefficients_lie_within_their_errors(tmp_path: Path) -> None:
    """200 tables of three loads: 95 % intervals of 1,800 linear and 1,200 other coefficients.

    The terms that were not planted are nought: as many are called significant as the level says.
    """
    covered, called = [], []
    for seed in range(200):
        case = planted(seed, 40, 3, terms=[PRODUCT, SQUARE])
        found = fitted(case, tmp_path, "products")
        truth = np.zeros_like(found.fit.coefficients)
        truth[:3] = case.matrix.T
        for term in case.terms:
            name = " × ".join(term["inputs"])
            row, column = found.term_names.index(name), found.outputs.index(term["output"])
            truth[row, column] = term["coefficient"]
        half = stats.t.ppf(0.975, found.fit.freedom) * found.fit.standard_errors
        covered.append(np.abs(found.fit.coefficients - truth) < half)
        called.append(found.fit.p_values[truth == 0.0] < 0.05)

    assert 0.93 < np.mean(covered) < 0.97
    assert 0.03 < np.mean(called) < 0.07


@pytest.mark.parametrize("form", ["iterative", "direct"])
def test_a_clean_table_is_given_back(tmp_path: Path, form: Form) -> None:
    """Without noise the loads come back: to the iteration's residual, or to what inverting leaves.

    Of the direct form's polynomial up to products what is missing is of third order: interactions
    of some per cent, cubed.
    """
    case = planted(3, 200, noise=0.0, terms=[PRODUCT, SQUARE])
    found = fitted(case, tmp_path, "products", form)

    share = np.abs(found.load_residuals) / found.table.full_scale
    assert share.max() < (1e-7 if form == "iterative" else 1e-4)
    np.testing.assert_allclose(found.zeros, case.zeros, atol=1e-9 if form == "iterative" else 2e-5)


def test_the_direct_form_finds_a_planted_direct_balance(tmp_path: Path) -> None:
    """Loads made from readings by F = C r + d r1 r3: C and d within 4 standard errors, as zeros."""
    rng = np.random.default_rng(4)
    readings = rng.uniform(-1, 1, (80, 3))
    matrix = (np.eye(3) + rng.uniform(-0.05, 0.05, (3, 3))) * FULL_SCALE[:3, None]
    loads = readings @ matrix.T
    loads[:, 1] += 0.5 * readings[:, 0] * readings[:, 2]
    series = np.repeat([0, 1], 40).astype(np.intp)
    zeros = np.array([[0.05, -0.1, 0.2], [0.04, -0.1, 0.3]])
    noise = 1e-5 * rng.standard_normal(readings.shape)
    case = Planted(loads, readings + zeros[series] + noise, matrix, (), zeros, series)

    found = fitted(case, tmp_path, "products", "direct")

    error = np.abs(found.fit.coefficients[:3] - matrix.T) / found.fit.standard_errors[:3]
    assert error.max() < 4.0
    place = found.term_names.index("b1 × b3")
    assert abs(found.fit.coefficients[place, 1] - 0.5) < 4.0 * found.fit.standard_errors[place, 1]
    np.testing.assert_allclose(found.zeros, zeros, atol=2e-5)


def test_all_kinds_of_terms_are_found(tmp_path: Path) -> None:
    """Sixty random terms of all kinds in 800 clean loadings of four loads, by the complete set."""
    names, bridges = ["drag", "side force", "lift", "roll moment"], ["b1", "b2", "b3", "b4"]
    scale = dict(zip(names, FULL_SCALE[:4].tolist(), strict=True))
    terms = random_terms(np.random.default_rng(6), bridges, names, 0.01, 60)
    terms = [term for term in terms if term["kind"] != "F"]  # the matrix holds these
    for term in terms:
        power = 3 if "3" in term["kind"] else 1
        for name in term["inputs"]:
            term["coefficient"] /= scale[name] ** power
    found = fitted(planted(6, 800, 4, 0.0, terms), tmp_path, "all")

    assert len(found.terms) == 4 * 4 + 6 * 4 + 2 * 4
    assert np.abs(found.load_residuals / found.table.full_scale).max() < 1e-6
    assert found.balance.solve(np.zeros((4, 1)))[0].tolist() == [[0.0]] * 4


def test_the_deviation_is_the_noises(tmp_path: Path) -> None:
    """0.02 % of full reading as noise is about as much of each load; the freedom is corrected.

    Leaving a loading out makes its residual larger by its leverage.
    """
    found = fitted(planted(7, 400), tmp_path)

    share = found.load_deviation / FULL_SCALE
    np.testing.assert_allclose(share, 2e-4, rtol=0.15)
    assert found.term_set == "products"
    assert found.fit.freedom == 400 - 27 - 2
    assert (found.deletion_deviation > found.load_deviation).all()
    assert judge(found).word == "good"


@pytest.mark.parametrize(("noise", "word"), [(5e-4, "good"), (3e-3, "usable"), (1e-2, "poor")])
def test_the_word_follows_the_worst_load(tmp_path: Path, noise: float, word: str) -> None:
    """Up to 0.1 %, up to 0.5 %, beyond."""
    assert judge(fitted(planted(8, 300, noise=noise), tmp_path)).word == word


@pytest.mark.parametrize("form", ["iterative", "direct"])
def test_a_table_without_scatter_is_judged(tmp_path: Path, form: Form) -> None:
    """Whole numbers, each bridge one load: no scatter, no interaction, no caution."""
    pairs = [(1, 0), (0, 1), (-1, 0), (0, -1), (2, 0), (0, 2), (-2, 0), (0, -2)]
    rows = "\n".join(f"{a},{b},{a},{b}" for a, b in pairs)
    (tmp_path / "x.csv").write_text(f"lift (N),drag (N),b1 (V),b2 (V)\n{rows}\n")

    done = run_buffet("calibrate", tmp_path / "x.csv", "--form", form)

    assert done.exit_code == 0
    assert done.stdout.startswith("Calibration from x.csv: good.")
    assert "Caution" not in done.stdout
    assert done.stdout.count("main") == 2
    assert done.stdout.count("0.00°") == 2
    assert run_buffet("calibrate", tmp_path / "x.csv", "--form", form, "--json").exit_code == 0


def test_few_loadings_carry_fewer_terms(tmp_path: Path) -> None:
    """Two loadings a term: 60 carry 27 terms, 30 carry 12, 20 six; what is asked for is done."""
    sets = {n: fitted(planted(9, n), tmp_path).term_set for n in (60, 30, 20)}

    assert sets == {60: "products", 30: "squares", 20: "linear"}
    asked = fitted(planted(9, 35), tmp_path, "products")
    assert asked.term_set == "products"
    cautions = " ".join(judge(asked).cautions)
    assert "35 loadings are few for 27 terms" in cautions
    assert "the terms follow the scatter" in cautions


def test_terms_that_loadings_do_not_hold_are_named(tmp_path: Path) -> None:
    """One load at a time: no product is determined; drag upwards alone leaves |drag| to drag."""
    case = planted(10, 90, 3)
    loads = np.zeros((90, 3))
    loads[np.arange(90), np.arange(90) % 3] = np.linspace(-1, 1, 90)
    loads = loads * FULL_SCALE[:3]
    loads[:, 0] = np.abs(loads[:, 0])
    readings = loads @ case.matrix.T + 1e-4 * np.random.default_rng(1).standard_normal((90, 3))
    found = fitted(replace(case, loads=loads, readings=readings), tmp_path, "absolute")

    why = {one.term: one.why for one in found.left_out}
    assert why["drag × lift"] == "the loadings reach 0 % of its full-scale value"
    assert why["|drag|"] == "the loadings do not tell it from the terms before it"
    assert why["drag × |drag|"] == "the loadings do not tell it from the terms before it"
    assert {"|lift|", "lift × |lift|", "lift × lift"}.isdisjoint(why)
    assert [c for c in judge(found).cautions if c.startswith("drag was loaded in one sense only")]


def test_a_wrong_loading_stands_out(tmp_path: Path) -> None:
    """A slip of 1 % of full scale in one cell of 720 is named by its line."""
    case = planted(11)
    wrong = case.loads.copy()
    wrong[49, 2] += 5.0
    cautions = judge(fitted(replace(case, loads=wrong), tmp_path)).cautions

    assert [c for c in cautions if c.startswith("line 51 stands out: lift is off by -")]
    wrong[49, 2] += 5000.0  # far off; the numbers stay without powers of ten
    slip = calibration_text(fitted(replace(case, loads=wrong), tmp_path))
    assert "poor" in slip
    assert not re.search(r"\de[+-]\d", slip)
    assert not judge(fitted(case, tmp_path)).cautions


def test_false_alarms_of_loadings_are_rare(tmp_path: Path) -> None:
    """Of 60 clean tables about one in twenty may name one."""
    told = [bool(judge(fitted(planted(s, 60, 3), tmp_path)).cautions) for s in range(100, 160)]

    assert sum(told) <= 8


def test_the_file_reads_back_as_the_balance(tmp_path: Path) -> None:
    """-o, then `read_balance`: every number is the fitted one, and a campaign takes it."""
    case = planted(12, 100, 2, terms=[PRODUCT | {"inputs": ["drag", "side force"]}])
    loads, output = case.write(tmp_path), tmp_path / "balance.toml"

    done = run_buffet("calibrate", loads, "-o", output, "--reference-point", "0 m", "0 m", "0.1 m")

    assert done.exit_code == 0, done.stderr
    found = calibrate(read_loadings(loads))
    written = tomllib.loads(output.read_text(encoding="utf-8"))
    assert np.array(written["balance"]["matrix"]).T.tolist() == found.fit.coefficients[:2].tolist()
    for term in written["term"]:
        row = found.term_names.index(" × ".join(term["inputs"]))
        column = found.outputs.index(term["output"])
        assert term["coefficient"] == found.fit.coefficients[row, column]
    balance = read_balance(output)
    assert balance.envelope.T.tolist() == [
        found.table.load_values.min(axis=0).tolist(), found.table.load_values.max(axis=0).tolist()
    ]  # fmt: skip
    np.testing.assert_allclose(balance.standard_uncertainty, found.load_deviation)
    bridges = [{"column": i, "name": f"b{i + 1}", "measures": "bridge", "unit": "mV/V"}
               for i in range(2)]  # fmt: skip
    folder = tmp_path / "campaign"
    write_campaign(folder, {"1": run_sheet("1") | {"channel": bridges}},
                   CAMPAIGN | {"balance": {"file": "balance.toml"}})  # fmt: skip
    output.rename(folder / "balance.toml")
    channels = open_campaign(folder).run("1").channels
    assert [channel.name for channel in channels] == ["drag", "side force"]


def test_other_units_are_carried(tmp_path: Path) -> None:
    """kN and kN m: the same balance in SI as from N and N m."""
    case = planted(14, 80, 4)
    table = case.table(tmp_path)
    kilo = "\n".join(case.text().splitlines()).replace("(N)", "(kN)").replace("(N m)", "(kN m)")
    (tmp_path / "kilo.csv").write_text(kilo, encoding="utf-8")
    ours, theirs = (calibrate(t).balance for t in (table, read_loadings(tmp_path / "kilo.csv")))

    np.testing.assert_allclose(theirs.matrix, ours.matrix / 1000.0)
    np.testing.assert_allclose(theirs.full_scale, 1000.0 * ours.full_scale)


def test_json_holds_everything(tmp_path: Path) -> None:
    """Loads, coefficients with errors and p-values, interactions, residuals; no NaN."""
    case = planted(15, terms=[PRODUCT])
    printed = run_buffet("calibrate", case.write(tmp_path), "--json").stdout
    document = json.loads(printed, parse_constant=lambda text: pytest.fail(text))

    assert (document["format"], document["version"]) == ("buffet/calibration", 1)
    assert document["judgement"] == "good"
    assert [load["load"] for load in document["loads"]] == list(case.load_names)
    assert len(document["loads"][0]["residuals"]) == 120
    (b1,) = [one for one in document["outputs"] if one["output"] == "b1"]
    (term,) = [c for c in b1["coefficients"] if c["term"] == "drag × lift"]
    assert term["significant"]
    assert term["coefficient"] == pytest.approx(4e-8, abs=4 * term["standard_error"])
    assert len(document["interactions"]) == 6 * 26


def test_the_text_fits_one_screen(tmp_path: Path) -> None:
    """The word comes first; at most 50 lines of 80 columns for six components."""
    text = run_buffet("calibrate", planted(16).write(tmp_path)).stdout

    assert text.startswith("Calibration from loads.csv: good. The worst load, ")
    lines = text.splitlines()
    assert len(lines) <= 50
    assert max(map(len, lines)) <= 80


@pytest.mark.parametrize("suffix", [".png", ".svg", ".pdf"])
def test_residuals_are_drawn(tmp_path: Path, suffix: str) -> None:
    """In each format, the same bytes each time."""
    found = fitted(planted(17, 60, 3), tmp_path)
    paths = [tmp_path / f"{i}{suffix}" for i in range(2)]
    for path in paths:
        draw_residuals(found, path)

    assert paths[0].stat().st_size > 5000
    assert paths[0].read_bytes() == paths[1].read_bytes()


def test_plot_and_file_are_written_together(tmp_path: Path) -> None:
    """Text to stdout, what was written to stderr; a wrong suffix is refused before any work."""
    loads = planted(18, 60, 3).write(tmp_path)
    done = run_buffet("calibrate", loads, "-o", tmp_path / "b.toml", "--plot", tmp_path / "r.svg")

    assert done.exit_code == 0
    assert f"wrote {tmp_path / 'b.toml'}" in done.stderr
    assert (tmp_path / "r.svg").is_file()
    assert run_buffet("calibrate", loads, "-o", tmp_path / "b.json").exit_code == 2
    assert run_buffet("calibrate", loads, "--plot", tmp_path / "r.txt").exit_code == 2
