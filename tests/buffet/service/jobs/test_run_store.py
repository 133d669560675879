"""What a worker keeps of runs: found again where nothing changed, read anew where something did."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pytest

from buffet import one_run
from buffet.one_run import RunRead
from buffet.service.jobs.computing import Computer, Task
from buffet.service.jobs.requests import RateRequest
from ingest import Run, file_digest
from tests.buffet.campaigns import lift_run, two_configurations, write_sheet


@pytest.fixture
def read(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Numbers of the runs that were really read."""
    numbers: list[str] = []
    original = one_run.read_run

    def noted(reading: one_run.Reading, run: Run, off: Mapping[str, RunRead]) -> RunRead:
        numbers.append(run.number)
        return original(reading, run, off)

    monkeypatch.setattr(one_run, "read_run", noted)
    monkeypatch.setattr("buffet.rating.car_spread.DRAWS", 6)
    return numbers


def rated(computer: Computer, folder: Path, output: Path, speed: str = "120 km/h") -> bytes:
    """The document of a rating."""
    files = {
        path.relative_to(folder).as_posix(): file_digest(path)
        for path in folder.rglob("*")
        if path.is_file()
    }
    settings = RateRequest(kind="rate", speed=speed).values()  # type: ignore[arg-type]
    computer.run(Task("rate", settings, files, folder, output), lambda text: None)
    return output.read_bytes()


def test_only_what_is_new_is_read(tmp_path: Path, read: list[str]) -> None:
    """Another speed reads nothing, another run that one; the numbers are those of a fresh start."""
    folder = two_configurations(tmp_path / "campaign", 20.0)
    output, computer = tmp_path / "rating.json", Computer()
    rated(computer, folder, output)
    assert read == ["0", "1", "2"]
    read.clear()

    faster = rated(computer, folder, output, "130 km/h")
    assert read == []
    assert faster == rated(Computer(), folder, output, "130 km/h")
    read.clear()

    run = lift_run("3", 0.02, "lip", 20.0)
    write_sheet(folder, "3", run.sheet())
    (folder / "runs" / "3.csv").write_text(run.recording())
    moved = folder.rename(tmp_path / "moved")
    grown = rated(computer, moved, output)
    assert read == ["3"]
    assert grown == rated(Computer(), moved, output)


@pytest.mark.parametrize(
    ("file", "again"),
    [
        ("runs/0.csv", ["0", "1"]),  # the zero of run 1
        ("runs/1.csv", ["1"]),
        ("runs/2.toml", ["2"]),
        ("campaign.toml", ["0", "1", "2"]),
    ],
)
def test_what_hangs_on_a_change_is_read_again(
    tmp_path: Path, read: list[str], file: str, again: list[str]
) -> None:
    """A recording, the zero of another run, a sheet, the campaign's own."""
    folder = two_configurations(tmp_path / "campaign", 20.0)
    output, computer = tmp_path / "rating.json", Computer()
    rated(computer, folder, output)
    read.clear()
    path = folder / file
    lines = path.read_text().splitlines(keepends=True)
    changed = [*lines[:-1], lines[-2]] if file.endswith(".csv") else [*lines, "# changed\n"]
    path.write_text("".join(changed))

    rated(computer, folder, output)
    assert read == again
