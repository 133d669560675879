"""Every command, output and piece of code that README shows is run here."""

from __future__ import annotations

import re
import shlex
import shutil
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click
import numpy as np
import pytest
from click.testing import CliRunner

from buffet.analysis import CampaignAnalysis, analyse
from buffet.cli import main
from ingest import Campaign, OpenCabin, open_campaign, read_vehicle
from tests.buffet.campaigns import read_here, write_runs, write_sheet
from tests.ingest.campaigns import toml

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
FENCE = re.compile(r"^```(\w+)\n(.*?)^```$", re.MULTILINE | re.DOTALL)


def blocks(language: str) -> list[str]:
    """Fenced blocks of one language."""
    return [body for word, body in FENCE.findall(README) if word == language]


def shown() -> Iterator[tuple[str, str]]:
    """Commands of the console blocks with the output printed under them."""
    for body in blocks("console"):
        command, _, output = body.partition("\n")
        yield command.removeprefix("$ "), output


@pytest.fixture
def at_root(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder that holds the demo as the repository's root does, and takes the output."""
    (tmp_path / "demo_runs").symlink_to(ROOT / "demo_runs")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture(scope="module", autouse=True)
def read_once() -> Iterator[None]:
    """The demo campaign is read once and not for each command; so are its peaks looked for."""
    known: dict[Any, CampaignAnalysis] = {}

    def analyse_once(
        campaign: Campaign, numbers: Any = None, settings: Any = None, *more: Any, **options: Any
    ) -> CampaignAnalysis:
        options = read_here(options)
        if campaign.folder != Path("demo_runs") or numbers is not None:
            return analyse(campaign, numbers, settings, *more, **options)
        if settings not in known:
            known[settings] = analyse(campaign, numbers, settings, *more, **options)
        return known[settings]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("buffet.analysis.analyse", analyse_once)
        yield


def test_readme_opens_with_two_commands() -> None:
    """The first rates the demo and writes its report, the second runs the tests."""
    first, second = [body for _, body in FENCE.findall(README)[:2]]

    assert FENCE.findall(README)[0][0] == FENCE.findall(README)[1][0] == "sh"
    assert "pip install . && .venv/bin/buffet report demo_runs --speed" in first
    assert second.rstrip().endswith('pip install -e ".[all,test]" && .venv/bin/python -m pytest')


@pytest.mark.parametrize(("command", "output"), list(shown()))
def test_shown_output_is_what_comes_out(command: str, output: str, at_root: Path) -> None:
    """Each command of a console block prints what stands under it."""
    name, *arguments = shlex.split(command)

    result = CliRunner().invoke(main, arguments)

    assert name == "buffet"
    assert result.exit_code == 0, result.stderr
    assert result.stdout.rstrip() == output.rstrip()
    if "-o" in arguments:
        written = at_root / arguments[arguments.index("-o") + 1]
        assert written.suffix != ".html" or "bare tailgate" in written.read_text(encoding="utf-8")
        assert 0 < written.stat().st_size < 5_000_000


def test_first_command_is_one_whose_output_is_shown() -> None:
    """What the first block runs after the installation is run, and its report read, above."""
    command = blocks("sh")[0].split("&&")[-1].strip()

    assert command.removeprefix(".venv/bin/") in [shown_command for shown_command, _ in shown()]


def test_commands_of_the_table_exist() -> None:
    """The table of commands names every command, with options it has."""
    rows = re.findall(r"^\| `(buffet [^`]+)` \|", README, re.MULTILINE)
    named = {shlex.split(row)[1]: shlex.split(row)[2:] for row in rows}

    assert set(named) == set(main.commands)
    for name, words in named.items():
        command = main.commands[name]
        if isinstance(command, click.Group):
            command = command.commands[words[0]]
        known = {option for parameter in command.params for option in parameter.opts}
        assert {word for word in words if word.startswith("-")} <= known


def test_run_sheet_is_one_that_reads(tmp_path: Path) -> None:
    """README's run sheet is valid TOML with the demo's own values."""
    sheet = tomllib.loads(blocks("toml")[0])
    own = tomllib.loads((ROOT / "demo_runs" / "runs" / "014.toml").read_text(encoding="utf-8"))

    for table in ("run", "air", "sampling"):
        assert sheet[table] == own[table]
    assert sheet["channel"][0] in own["channel"]


def toml_with(words: str) -> str:
    """The one block of TOML that holds these words."""
    (body,) = [body for body in blocks("toml") if words in body]
    return body


def test_files_and_rates_of_one_run_are_joined(tmp_path: Path) -> None:
    """The keys for several files and rates, in an otherwise complete run sheet."""
    shown = tomllib.loads(toml_with("resample_to"))
    folder = write_runs(tmp_path / "c", [])
    for name, seconds in zip(shown["run"]["recording"], (20, 7), strict=True):
        arrays = {"fz": np.arange(1000.0 * seconds), "p07": np.arange(200.0 * seconds)}
        np.savez(folder / "runs" / name, **arrays)
    lift = {"column": "fz", "name": "lift", "measures": "lift", "unit": "N"}
    tap = {"name": "tailgate", "measures": "pressure", "unit": "Pa", **shown["channel"][0]}
    run = {"number": "1", "kind": "wind-off", **shown["run"]}
    write_sheet(folder, "1", {"format": 1, **shown, "run": run, "channel": [lift, tap]})

    record = open_campaign(folder).run("1").open()
    n = sum(block.shape[1] for block in record.blocks())

    assert (n / record.sample_rate_hz, record.sample_rate_hz) == (pytest.approx(27, abs=0.01), 1000)


def test_further_keys_are_known(tmp_path: Path) -> None:
    """What turns may be stated in campaign.toml, as README shows it."""
    folder = tmp_path / "campaign"
    shutil.copytree(ROOT / "demo_runs", folder)
    sheet = folder / "campaign.toml"
    own = re.sub(r"\[tunnel\]\n.*\n", "", sheet.read_text(encoding="utf-8"))
    sheet.write_text(own + "\n" + toml_with("[tunnel]"), encoding="utf-8")

    rotation = open_campaign(folder).run("001").rotation

    assert (rotation.blades, rotation.belt_length_m, rotation.wheel_diameter_m) == (9, 9.4, 0.19)


def test_bounds_of_corrections_are_known(tmp_path: Path) -> None:
    """They are the defaults."""
    folder = tmp_path / "campaign"
    shutil.copytree(ROOT / "demo_runs", folder)
    sheet = folder / "campaign.toml"
    before = open_campaign(folder).run("001").bounds
    own = sheet.read_text(encoding="utf-8")
    sheet.write_text(own + "\n" + toml_with("[corrections]"), encoding="utf-8")

    assert open_campaign(folder).run("001").bounds == before


def test_keys_of_the_car_are_known(tmp_path: Path) -> None:
    """README's further keys of vehicle.toml, in the demo's own sheet."""
    shown = tomllib.loads(toml_with("roll_centre_height"))
    own = tomllib.loads((ROOT / "demo_runs" / "vehicle.toml").read_text(encoding="utf-8"))
    tables = own | {name: shown[name] for name in ("seat", "spread", "mode", "cabin")}
    tables["front"] = own["front"] | shown["front"]
    (tmp_path / "vehicle.toml").write_text(toml(tables), encoding="utf-8")
    (tmp_path / "seat.csv").write_text("frequency_hz,gain,phase_deg\n1,1,-2\n4,1.4,-30\n9,1,-90\n")

    car = read_vehicle(tmp_path / "vehicle.toml")

    assert car.front.roll_centre_height_m == pytest.approx(0.06)
    assert car.seat.z is not None
    assert car.spread == {"damping": 0.15, "rear.cornering_stiffness": 0.2}
    assert (car.modes[0].modal_mass_kg, car.modes[0].shape[4]) == (980, 0.05)
    assert car.cabin == OpenCabin(3.0, 0.3, 0.4, pytest.approx(0.002))


def test_python_example_runs(at_root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """README's few lines of Python print verdicts, a choice, a table and a plan, and draw."""
    exec(compile(blocks("python")[0], "README.md", "exec"), {})

    printed = capsys.readouterr().out.splitlines()
    assert printed[0] == "bare tailgate likely"
    assert printed[4] == "wing"
    assert printed[5].split() == ["configuration", "metric", "p_likely"]
    record_s, repeats = printed[-1].split()
    assert float(record_s) > 60  # the demo's own, which reach 5 % where the wake is steady
    assert int(repeats) >= 2
    for name in ("trade.png", "speed.png"):
        assert (at_root / name).read_bytes().startswith(b"\x89PNG")
