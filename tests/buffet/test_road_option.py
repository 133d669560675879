"""`--road`: every command that rates takes it and says which road it rated on."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import pytest

from buffet import documents
from buffet.analysis import analyse
from buffet.comparing import compare
from buffet.comparison_document import comparison_document
from buffet.comparison_text import comparison_text
from buffet.errors import RoadError
from buffet.rating.rate import RatingSettings, rate
from buffet.rating.table import road_table
from buffet.road_wording import road_entries, road_text
from buffet.vehicle import Road, UnknownRoadError, road_from, road_of_class
from ingest import open_campaign
from tests.buffet.campaigns import run_buffet, two_configurations
from tests.buffet.road_profiles import gaussian_profile, write_profile

SPEED = ("--speed", "130 km/h")
QUICK = ("--up-to", "30 km/h")
CLASS_B = (
    "Road: the mean of ISO 8608's class B, G(n0) = 6.4e-05 m³, IRI 4.3 m/km (ISO 8608 class B); "
    "tracks 1.47 m apart, as on an isotropic surface."
)


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bare car and a spoiler."""
    return two_configurations(tmp_path_factory.mktemp("road") / "campaign", 12.0)


@pytest.fixture
def lane(tmp_path: Path) -> Path:
    """A profile of 16e-6 m³, 1 km long."""
    heights = gaussian_profile(16e-6, 2.0, 0.1, 10_001, seed=1)
    return write_profile(tmp_path / "lane.csv", 0.1, height=heights)


def ran(*arguments: Any) -> str:
    """What a command prints, in one line."""
    result = run_buffet(*arguments)
    assert result.exit_code == 0, result.stderr
    return " ".join(result.stdout.split())


def over_road(document: dict[str, Any]) -> float:
    """The bare car's motion over the road's."""
    (bare,) = [one for one in document["configurations"] if one["name"] == "bare"]
    (row,) = [row for row in bare["criteria"] if row["id"] == "vertical-over-road"]
    return float(row["metric"]["value"])


def test_a_rating_stands_on_the_road_that_was_asked_for(campaign: Path, lane: Path) -> None:
    """Four times the unevenness halves what stands out; a profile of the same does about that."""
    roads = {None: (), "16e-6 m^3": ("--road", "16e-6 m^3"), "lane": ("--road", str(lane))}
    found = {
        name: json.loads(ran("rate", campaign, *SPEED, *QUICK, "--json", *option))
        for name, option in roads.items()
    }

    smooth, rough, measured = (over_road(one) for one in found.values())
    assert rough == pytest.approx(smooth / 2)
    assert measured == pytest.approx(rough, rel=0.2)
    assert found[None]["road"]["name"] == "a good motorway"
    assert found[None]["road"]["sha256"] is None
    assert found["16e-6 m^3"]["road_unevenness_m3"] == 16e-6
    own = found["lane"]["road"]
    assert (own["name"], own["class"]) == ("measured, lane.csv", "A")
    assert own["unevenness_m3"] == pytest.approx(16e-6, rel=0.3)
    assert "Measured over 1000 m, waves of 100 to 0.4 m" in own["remark"]


def test_a_profile_is_told_in_words(campaign: Path, lane: Path) -> None:
    """Name, unevenness, and how far it was measured."""
    told = ran("rate", campaign, *SPEED, *QUICK, "--road", lane)

    assert "Road: measured, lane.csv, G(n0) = 1." in told
    assert "are continued with ISO 8608's exponent of 2. Criteria:" in told


def test_table_and_comparison_name_the_road(campaign: Path, tmp_path: Path) -> None:
    """In words, and in two columns of a CSV."""
    to = tmp_path / "comparison.csv"
    ran("compare", campaign, *SPEED, "--road", "B", "-o", to)
    with to.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))

    assert {row["road"] for row in rows} == {"the mean of ISO 8608's class B"}
    assert {float(row["road_unevenness_m3"]) for row in rows} == {64e-6}
    assert CLASS_B in ran("table", campaign, "--from", "90 km/h", "--to", "90 km/h", "--road", "b")


def test_every_document_names_the_road(campaign: Path) -> None:
    """An object of each, and a sentence of the comparison's text."""
    rating = rate(analyse(open_campaign(campaign)), RatingSettings(130 / 3.6, up_to_m_s=30 / 3.6))
    comparison = compare(rating)
    rows = road_table(rating, [130 / 3.6])

    for document in (
        documents.rating_document(rating),
        documents.table_document(rows, rating),
        comparison_document(comparison),
    ):
        assert document["road"]["name"] == "a good motorway"
    assert "Road: a good motorway, G(n0) = 4e-06 m³, IRI 1.1 m/km" in " ".join(
        comparison_text(comparison).split()
    )


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("Z", "got 'Z'; wanted an ISO 8608 class, A to H, an unevenness G(n0) such as"),
        ("", "got ''; wanted an ISO 8608 class"),
        ("4e-6", "got '4e-6'; wanted an ISO 8608 class, A to H, an unevenness"),
        ("4e-6 m", "got '4e-6 m'; wanted an ISO 8608 class"),
        ("4 m^3", "got '4 m^3'; wanted G(n0) from 1e-08 to 1 m^3: a good motorway has 4e-06"),
        ("-4e-6 m^3", "got '-4e-6 m^3'; wanted G(n0) from"),
        (".", "got '.'; wanted an ISO 8608 class"),
    ],
)
def test_words_that_name_no_road(text: str, told: str, tmp_path: Path) -> None:
    """Wrong usage, in one message, before anything is read."""
    result = run_buffet("rate", tmp_path, *SPEED, f"--road={text}")

    assert (result.exit_code, result.stdout) == (2, "")
    assert told in " ".join(result.stderr.split())
    with pytest.raises(UnknownRoadError):
        road_from(text)


def test_a_file_without_a_profile_is_an_error_of_its_own(tmp_path: Path) -> None:
    """Exit code 1, with file and line."""
    path = tmp_path / "lane.csv"
    missing = run_buffet("compare", tmp_path, *SPEED, "--road", path)
    path.write_text("distance (m),height (mm)\n0,1\n0.1,x\n", encoding="utf-8")
    broken = run_buffet("compare", tmp_path, *SPEED, "--road", path)

    assert (missing.exit_code, broken.exit_code) == (1, 1)
    assert f"Error: {path}: cannot be read (No such file or directory)" in missing.stderr
    assert f"Error: {path}, line 3: 'height' is 'x'; wanted a number" in broken.stderr
    with pytest.raises(RoadError, match="line 3"):
        road_from(str(path))


def test_classes_and_unevenness_in_any_unit(tmp_path: Path) -> None:
    """Either case of a letter; cubic centimetres; a file whose name starts with a number."""
    lane = tmp_path / "2026 lane"
    heights = gaussian_profile(16e-6, 2.0, 0.1, 2001, seed=1)
    write_profile(lane, 0.1, height=heights)

    assert road_from("c") == road_of_class("C")
    assert road_from(" 4 cm^3 ").unevenness_m3 == pytest.approx(4e-6)
    assert road_from(str(lane)).name == "measured, 2026 lane"


def test_a_car_without_a_track_has_both_tracks_alike() -> None:
    """Which is said."""
    assert "; both tracks alike, since the car states no track." in road_text(Road(1e-6), None)
    assert road_entries(Road(1e-6), None)["road"]["tracks"] == "alike"
