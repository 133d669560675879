"""Schemas of the documents: sound, complete, not vacuous, and shown by the command `schema`.

That every document is as its schema says is held by `run_buffet`, in all tests that print one.
"""

from __future__ import annotations

import copy
import json
import re
from collections.abc import Iterator
from dataclasses import fields
from importlib.resources import files
from pathlib import Path
from typing import Any, get_args

import numpy as np
import pytest

from buffet.board.document import board_document
from buffet.board.signals import signal_envelopes
from buffet.comparison_document import comparison_document
from buffet.documents import rating_document
from buffet.planning.demands import WishName
from buffet.planning.wishes import Wishes
from buffet.rating.criteria import Verdict
from buffet.schemas import COMMON, formats, schema
from buffet.spectral.peaks import PeakKind
from buffet.spectral.tracks import ClassName
from ingest import SEVERITIES, open_campaign
from tests.buffet.cabin_campaign import cabin_run, tone, write_open
from tests.buffet.campaigns import run_buffet, two_configurations, write_runs
from tests.buffet.loading_tables import planted
from tests.buffet.report_campaign import comparison
from tests.buffet.schema_check import faults, require_described, shortened, validator
from tests.buffet.tap_campaign import write_tap_campaign
from tests.buffet.test_add_on_changes import planted as wake

ROOT = Path(__file__).parents[2]
SPEED = ("--speed", "130 km/h")
STATED = ("--scale", "0.30", "--length", "0.435 m", "--wind-speed", "50 m/s")
# No record makes up for it, and the balance is too soft.
OUT_OF_REACH = ("--run-to-run", "50 %", "--natural-frequency", "50 Hz", "--model-mass", "25 kg")


def read(name: str) -> dict[str, Any]:
    """A schema's file as it stands."""
    found: dict[str, Any] = json.loads(files("buffet.schemas").joinpath(f"{name}.json").read_text())
    return found


def objects(value: Any) -> Iterator[dict[str, Any]]:
    """Every schema of an object with fixed keys."""
    if isinstance(value, dict):
        if "properties" in value and isinstance(value["properties"], dict):
            yield value
        for one in value.values():
            yield from objects(one)
    elif isinstance(value, list):
        for one in value:
            yield from objects(one)


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bare car and a spoiler."""
    return two_configurations(tmp_path_factory.mktemp("campaign") / "c", 20.0)


@pytest.fixture(scope="module")
def printed(campaign: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, Any]]:
    """A document of each command, by format; held against its schema when it was printed."""
    folder = tmp_path_factory.mktemp("schemas")
    taps = write_tap_campaign(folder / "taps", 30.0)
    cabin = write_open(folder / "cabin", [cabin_run("1", tone(11.0, 0.02))])
    loads = planted(1).write(folder)
    trace = folder / "drive.csv"
    trace.write_text("time_s,speed_km_h\n0,0\n20,50\n60,50\n70,0\n", encoding="utf-8")
    parts = ("lines", "coherence", "taps", "extremes", "length")
    served = ("--name", "wind tunnel", "--role", "reader")
    run_buffet("token", "create", folder / "service", *served)
    every = tuple(word for part in parts for word in ("--what", part))
    done = [
        run_buffet("check", campaign, "--json"),
        run_buffet("rate", campaign, *SPEED, "--up-to", "140 km/h", "--json"),
        run_buffet("table", campaign, "--to", "100 km/h", "--step", "40 km/h", "--json"),
        run_buffet("compare", campaign, *SPEED, "--speed-trace", trace, "--json"),
        run_buffet("sweep", campaign, "--json"),
        run_buffet("resonance", campaign, "--json"),
        run_buffet("car", "saloon", "--json"),
        run_buffet("calibrate", loads, "--json"),
        run_buffet("plan", campaign, *OUT_OF_REACH, "--json"),
        run_buffet("token", "list", folder / "service", "--json"),
        run_buffet("spectra", cabin, "--what", "cabin", *SPEED, "--json"),
        run_buffet("spectra", taps, "--run", "2", *every, *SPEED, "--json"),
    ]
    assert [one.exit_code for one in done] == [0] * len(done), [one.stderr for one in done]
    documents = [json.loads(one.stdout) for one in done]
    run_buffet("export", campaign, "--run", "1", "-o", folder / "e.csv")
    opened = open_campaign(campaign)
    documents.append(signal_envelopes(opened, opened.run("1"), {}, points=8))
    documents.append(board_document(comparison().rating, comparison()))
    lines = (folder / "e.csv").read_text(encoding="utf-8").splitlines()
    head = "# provenance = "
    documents += [json.loads(line.removeprefix(head)) for line in lines if line.startswith(head)]
    return {document["format"].removeprefix("buffet/"): document for document in documents}


def test_every_format_has_a_schema() -> None:
    """Each `"format": "buffet/…"` of the program, and no other."""
    texts = [path.read_text(encoding="utf-8") for path in (ROOT / "buffet").rglob("*.py")]
    named = {name for text in texts for name in re.findall(r'"format": "buffet/([\w-]+)"', text)}

    assert named == set(formats())


@pytest.mark.parametrize("name", formats())
def test_a_schema_is_one_and_says_what_each_key_is(name: str) -> None:
    """Draft 2020-12; objects with fixed keys take no others; every reference leads somewhere."""
    whole = schema(name)
    validator(name)
    text = json.dumps(whole)

    assert whole["$schema"].endswith("2020-12/schema")
    assert f"{COMMON}.json" not in text
    assert set(re.findall(r'"#/\$defs/(\w+)"', text)) == set(whole["$defs"])
    for one in objects(whole):
        assert one["additionalProperties"] is False
        assert set(one["required"]) <= set(one["properties"])
        for key, about in one["properties"].items():
            assert len(about["description"]) >= 1, key
            nullable = '"null"' in json.dumps(about) or None in about.get("enum", [])
            # What may be null says when, or is explained by what says why.
            told = "null" in about["description"] or key.endswith(("_with_tunnel", "_why"))
            said = told or about["description"].startswith("likewise")
            assert not nullable or said or "items" in about or "additionalProperties" in about, key


def test_what_is_shared_stands_in_one_place() -> None:
    """No document defines again what `common.json` holds, and all of that is used."""
    shared = set(read(COMMON)["$defs"])
    used: set[str] = set()
    for name in formats():
        assert not shared & set(read(name).get("$defs", {})), name
        used |= set(schema(name)["$defs"])

    assert shared <= used


def test_words_are_those_of_the_program() -> None:
    """Values that a schema lists are all that there can be."""
    shared, rating = read(COMMON)["$defs"], read("rating")["$defs"]

    assert shared["finding"]["properties"]["severity"]["enum"] == list(SEVERITIES)
    assert set(rating["configuration"]["properties"]["verdict"]["enum"]) == set(get_args(Verdict))
    peak = read("spectra")["$defs"]["peak"]["properties"]
    assert set(peak["kind"]["enum"]) == set(get_args(PeakKind))
    assert set(peak["class"]["enum"]) == set(get_args(ClassName))
    board = read("board")["$defs"]
    assert set(board["at"]["properties"]["verdict"]["enum"]) == set(get_args(Verdict))
    compared = read("comparison")["$defs"]
    for name in ("add_on", "trade_off"):
        assert set(compared[name]["properties"]["verdict"]["enum"]) == set(get_args(Verdict))


def test_words_of_a_plan_are_those_of_the_program() -> None:
    """Figures that are wanted, and names of what it rests on."""
    whole = read("plan")
    wishes = set(get_args(WishName))
    of = {name: one["properties"] for name, one in whole["$defs"].items()}

    assert set(whole["properties"]["rules"]["enum"]) == wishes | {"resolution"}
    assert set(of["wish"]["wish"]["enum"]) == set(of["not_planned"]["wish"]["enum"]) == wishes
    assert of["premise"]["key"]["enum"] == [field.name for field in fields(Wishes)]


def test_documents_are_as_described(printed: dict[str, dict[str, Any]]) -> None:
    """One of each format at least."""
    assert set(printed) == set(formats())
    for document in printed.values():
        assert faults(document) == []


def test_the_demo_is_as_described() -> None:
    """Four configurations at one wind speed, with taps."""
    compared = comparison()
    document = comparison_document(compared)

    assert faults(document) == []
    assert all(one["rms_ratio_of_taps"] for one in document["configurations"])
    assert document["ranking"]["configurations"]
    assert document["trade_offs"]
    assert faults(rating_document(compared.rating)) == []


@pytest.mark.parametrize("more", [(), OUT_OF_REACH], ids=["in reach", "out of reach"])
@pytest.mark.parametrize("sheets", [False, True], ids=["alone", "with sheets"])
@pytest.mark.parametrize("is_earlier", [False, True], ids=["stated", "earlier"])
def test_plans_are_as_described(
    campaign: Path, tmp_path: Path, more: tuple[str, ...], *, sheets: bool, is_earlier: bool
) -> None:
    """By options or an earlier campaign; what stands for all configurations names none."""
    source = (campaign, "--band", "1 Hz", "8 Hz") if is_earlier else STATED
    written = ("-o", tmp_path / "next") if sheets else ()
    done = run_buffet("plan", *source, *more, *written, "--json")
    assert done.exit_code == 0, done.stderr
    document = json.loads(done.stdout)

    assert faults(document) == []
    assert bool(document["out_of_reach"]) == bool(more)
    assert any(one["record_s"] is None for one in document["wishes"]) == bool(more)
    parts = ("wishes", "fluctuations", "shedding", "onset")
    names = {one["configuration"] for part in parts for one in document[part]}
    assert names <= {"bare", "spoiler"} if is_earlier else names == {None}
    assert bool(document["not_planned"]) == is_earlier
    assert (tmp_path / "next" / "runs").is_dir() == sheets


def test_a_plan_by_a_wake_that_sheds_is_as_described(tmp_path: Path) -> None:
    """Run twice, so that its scatter is told with degrees of freedom; one recording is lost."""
    runs = [wake(1, "bare", 40.0), wake(2, "bare", 40.0), wake(3, "lip", 40.0)]
    folder = write_runs(tmp_path / "c", runs)
    (folder / "runs" / "3.csv").write_text("x\n", encoding="utf-8")
    document = json.loads(run_buffet("plan", folder, "--json").stdout)

    assert faults(document) == []
    for part in ("shedding", "fluctuations"):
        assert {(one["configuration"], one["freedom"]) for one in document[part]} == {("bare", 1)}
    assert [one["run"] for one in document["failed"]] == ["3"]


def places(value: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    """Of every object, the first of each list standing for the others."""
    if isinstance(value, dict):
        yield path
        for key, one in value.items():
            yield from places(one, (*path, key))
    elif isinstance(value, list) and value:
        yield from places(value[0], (*path, 0))


def at(document: Any, path: tuple[str | int, ...]) -> Any:
    """What stands there."""
    for part in path:
        document = document[part]
    return document


# Objects whose keys are words of the campaign, not of the format.
FREE = {
    "line_shares", "weighted_rms", "missing", "budget", "rms_ratio", "p_value",
    "equivalence_p_value", "detectable_change_percent", "rms_ratio_in_bands", "delta_p_value",
    "amplitude_error_reached_hz", "settings", "relative_standard_deviations", "responses",
    "components", "shape", "energy_share", "runs_to_show", "not_flow", "left_out", "not_ranked",
}  # fmt: skip


@pytest.mark.parametrize("name", formats())
def test_a_key_more_or_less_is_a_fault(name: str, printed: dict[str, dict[str, Any]]) -> None:
    """At every kind of object, an undescribed key fails and so does a lost one."""
    document = shortened(printed[name])
    tried: set[frozenset[str]] = set()
    for path in places(document):
        if (path[-1:] and path[-1] in FREE) or "settings" in path or "bridge_zeros" in path:
            continue
        kind = frozenset(at(document, path))
        if kind in tried:
            continue
        tried.add(kind)
        changed = copy.deepcopy(document)
        at(changed, path)["no_such_key"] = 1
        assert any("no_such_key" in one for one in faults(changed)), path
        holder = at(document, path)
        optional = ("_why", "format")
        required = [k for k in holder if not (k.endswith(optional) or "with_tunnel" in k)]
        changed = copy.deepcopy(document)
        del at(changed, path)[required[0]]
        assert faults(changed), (path, required[0])
    assert tried


@pytest.mark.parametrize("wrong", ["text", None, float("nan"), [], {}, True])
def test_a_wrong_kind_of_value_is_a_fault(
    wrong: object, printed: dict[str, dict[str, Any]]
) -> None:
    """In place of a number that is always there; NaN is no JSON at all."""
    for name, key in (("rating", "speed_m_s"), ("comparison", "fuel_elasticity")):
        changed = {**printed[name], key: wrong}
        if isinstance(wrong, float) and np.isnan(wrong):
            with pytest.raises(ValueError, match="not JSON compliant"):
                json.dumps(changed, allow_nan=False)
            with pytest.raises(AssertionError, match="NaN"):
                require_described(json.dumps(changed))
        else:
            assert faults(changed), (name, wrong)


def test_an_interval_has_all_its_limits(printed: dict[str, dict[str, Any]]) -> None:
    """A definition that is shared is as strict as any."""
    changed = copy.deepcopy(printed["comparison"])
    del changed["configurations"][0]["delta_drag"]["low"]

    assert any("'low' is a required property" in one for one in faults(changed))


def test_an_undescribed_key_says_what_to_do(printed: dict[str, dict[str, Any]]) -> None:
    """Whoever adds one reads where it is to be described."""
    changed = {**printed["check"], "new_key": 1}
    with pytest.raises(AssertionError) as caught:
        require_described(json.dumps(changed))

    assert "describe new keys there" in str(caught.value)
    assert "new_key" in str(caught.value)


def test_the_command_lists_formats_and_prints_one() -> None:
    """By either form of the name."""
    listed = run_buffet("schema")
    one, other = run_buffet("schema", "rating"), run_buffet("schema", "buffet/rating")

    assert all(name in listed.stdout for name in formats())
    assert json.loads(one.stdout) == json.loads(other.stdout) == schema("rating")
    assert "m/s" in one.stdout


def test_an_unknown_format_is_told() -> None:
    """With the nearest one."""
    done = run_buffet("schema", "ratings")

    assert (done.exit_code, done.stdout) == (1, "")
    assert "no command prints a document 'ratings'; did you mean 'rating'?" in done.stderr
