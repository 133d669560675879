"""The built wheel: both packages, their data, and a command that starts from it."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
DATA = (
    "buffet/rating/criteria.toml",
    "buffet/vehicle/small_hatchback.toml",
    "buffet/report/templates/report.html.j2",
    "buffet/report/templates/report.css",
    "buffet/schemas/board.json",
    "buffet/service/pages/templates/base.html.j2",
    "buffet/service/pages/static/app.css",
    "buffet/service/pages/static/vendor/uplot/LICENSE",
    "buffet/py.typed",
    "ingest/py.typed",
)


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Built from a copy that holds nothing but what is packaged."""
    source = tmp_path_factory.mktemp("source")
    for name in ("pyproject.toml", "README.md"):
        shutil.copy(ROOT / name, source / name)
    for name in ("buffet", "ingest"):
        ignored = shutil.ignore_patterns("__pycache__")
        shutil.copytree(ROOT / name, source / name, ignore=ignored)
    target = tmp_path_factory.mktemp("wheel")
    command = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(target)]
    subprocess.run(command, cwd=source, check=True, capture_output=True)
    (built,) = target.glob("*.whl")
    return built


def test_wheel_holds_both_packages_and_their_data(wheel: Path) -> None:
    """Every module and data file of the tree is in the wheel, and no test or demo is."""
    inside = set(zipfile.ZipFile(wheel).namelist())
    modules = {
        str(file.relative_to(ROOT))
        for package in ("buffet", "ingest")
        for file in (ROOT / package).rglob("*.py")
    }

    pages = ROOT / "buffet" / "service" / "pages"
    files = {str(file.relative_to(ROOT)) for file in pages.rglob("*.*") if file.suffix != ".pyc"}

    assert modules <= inside
    assert files <= inside
    assert set(DATA) <= inside
    assert not [name for name in inside if name.startswith(("tests", "demo_runs"))]


def test_wheel_states_its_licence_and_extras(wheel: Path) -> None:
    """The metadata names the licence and every extra."""
    archive = zipfile.ZipFile(wheel)
    (name,) = [name for name in archive.namelist() if name.endswith("METADATA")]
    metadata = archive.read(name).decode()

    assert "License-Expression: MIT" in metadata
    for extra in ("formats", "service", "cluster", "all", "test", "dev"):
        assert f"Provides-Extra: {extra}" in metadata


def test_command_starts_from_the_wheel(wheel: Path, tmp_path: Path) -> None:
    """Unpacked elsewhere it finds its criteria and car, and says what is wrong with a folder."""
    site = tmp_path / "site"
    zipfile.ZipFile(wheel).extractall(site)
    code = (
        "import buffet, sys; from buffet.rating.criteria import read_criteria; "
        "from buffet.vehicle import typical_car; "
        "print(buffet.__file__, len(read_criteria().rows), typical_car(2.6).wheelbase_m); "
        "from buffet.cli import main; main(['check', 'nowhere'])"
    )
    environment = {**os.environ, "PYTHONPATH": str(site)}

    done = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, env=environment, capture_output=True, text=True
    )

    assert done.stdout.split() == [str(site / "buffet" / "__init__.py"), "8", "2.6"]
    assert done.returncode == 1
    assert "nowhere" in done.stderr
