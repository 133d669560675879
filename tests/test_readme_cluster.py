"""What README says of a cluster is done here, with real processes."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner

from buffet.cli import main
from tests.buffet.campaigns import FEW_CARS, two_configurations
from tests.buffet.dask_processes import DaskProcess
from tests.test_readme import FENCE, README

SECTION = README[README.index("### Many runs") : README.index("### From Python")]
(SHOWN,) = [body for word, body in FENCE.findall(SECTION) if word == "sh"]
ADDRESS = "tcp://127.0.0.1:8786"


def test_scheduler_workers_and_command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """README's three lines, at a port that is free and on a smaller campaign of that name."""
    scheduler, worker, command = map(shlex.split, SHOWN.splitlines())
    campaign = two_configurations(tmp_path / "demo_runs", 20.0)
    monkeypatch.chdir(campaign.parent)
    monkeypatch.setattr("buffet.rating.car_spread.DRAWS", FEW_CARS)
    assert (scheduler.pop(0), worker.pop(0), command.pop(0)) == ("dask", "dask", "buffet")

    found = DaskProcess([*scheduler, "--port", "0", "--no-dashboard"], tmp_path / "scheduler.log")
    try:
        address = found.told(re.compile(r"Scheduler at:\s+(tcp://\S+)"))
        words = [word.replace(ADDRESS, address) for word in worker]
        workers = DaskProcess([*words, "--no-dashboard"], tmp_path / "workers.log")
        try:
            arguments = [word.replace(ADDRESS, address) for word in command]
            there = CliRunner().invoke(main, [*arguments, "--json"])
        finally:
            workers.end()
    finally:
        found.end()
    here = CliRunner().invoke(main, [*command[:-2], "--json"])

    assert command[-2] == "--cluster"
    assert there.exit_code == here.exit_code == 0, there.stderr
    assert there.stdout == here.stdout
