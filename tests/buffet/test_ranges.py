"""A long recording in ranges of time that several read: the same numbers as one pass."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from buffet.one_pass import AnalysisSettings, one_pass, whole_pass
from buffet.one_run import Failure, Reading, RunRead, opened, read_run
from buffet.spectral.segment_sums import record_parts
from buffet.workers.ranges import joined_run, ranges_of, read_range, read_rest
from ingest import Campaign, open_campaign, recording_cache
from ingest.cache_entry import EntryInMaking
from ingest.recording import RawBlock
from tests.buffet.campaigns import CAMPAIGN, write_sheet
from tests.ingest.campaigns import toml

RATE_HZ = 500.0
N = 330_003  # several blocks of a reader
CHANNELS = {"drag": "N", "lift": "N", "pitch moment": "N m", "pressure": "Pa"}
KEEPS = AnalysisSettings(keeps=frozenset({"tapers", "forces"}), workers=1)
RANGES = 3
EDGES, HALF_GAP = (130_000, 261_000), 2_000  # about where ranges meet


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Campaign:
    """Opened."""
    return open_campaign(write_long_run(tmp_path_factory.mktemp("ranges") / "c"))


def write_long_run(folder: Path) -> Path:
    """A long run that drifts between two zeros, with gaps where its ranges meet."""
    (folder / "runs").mkdir(parents=True)
    (folder / "campaign.toml").write_text(toml(CAMPAIGN), encoding="utf-8")
    rng = np.random.default_rng(8)
    samples = rng.standard_normal((len(CHANNELS), N)) + np.linspace(100, 101, N)
    for edge in EDGES:
        samples[1, edge - HALF_GAP : edge + HALF_GAP] = np.nan
    hour = {"1": "09:30:00Z", "2": "10:00:00Z", "3": "10:40:00Z"}
    for number, own in (
        ("1", samples[:, :10_000] / 50),
        ("2", samples),
        ("3", samples[:, -9_000:]),
    ):
        np.save(folder / "runs" / f"{number}.npy", np.nan_to_num(own.T) if number != "2" else own.T)
        run = {"number": number, "recording": f"{number}.npy", "kind": "wind-off"}
        run["started"] = f"2026-03-02T{hour[number]}"
        sheet = {"format": 1, "run": run, "sampling": {"rate": f"{RATE_HZ:g} Hz"}}
        if number == "2":
            run |= {"kind": "wind-on", "configuration": "bare"}
            run |= {"zero_before": "1", "zero_after": "3"}
            sheet["air"] = {"speed": "40 m/s"}
        sheet["channel"] = [
            {"column": i, "name": word, "measures": word, "unit": unit}
            for i, (word, unit) in enumerate(CHANNELS.items())
        ]
        write_sheet(folder, number, sheet)
    return folder


@pytest.fixture(scope="module")
def off(campaign: Campaign) -> dict[str, RunRead]:
    """Both zeros."""
    reading = Reading(campaign, KEEPS, None)
    return {number: read_run(reading, campaign.run(number), {}) for number in ("1", "3")}


def test_ranges_together_are_one_pass(campaign: Campaign, off: dict[str, RunRead]) -> None:
    """Within 1e-12 of each channel's scale; tapers, copy, findings and provenance are the same."""
    reading, run = Reading(campaign, KEEPS, None), campaign.run("2")
    record = opened(reading, run, off)
    wanted = one_pass(record, None, KEEPS, campaign.model)
    parts = [read_range(reading, run, off, (i, RANGES)) for i in range(RANGES)]
    whole = read_rest(reading, run, off)
    assert whole is not None
    assert all(part is not None and part.n_samples < N / 2 for part in parts)
    edges = [part.first_sample for part in record_parts(whole[1].cut, N, RANGES)[1:]]
    np.testing.assert_allclose(edges, EDGES, atol=HALF_GAP - 100)
    found = whole_pass(whole[1], parts)
    assert found is not None

    mine, theirs = found.spectra, wanted.spectra
    assert mine.n_samples == theirs.n_samples == N
    np.testing.assert_array_equal(mine.group_segments, theirs.group_segments)
    np.testing.assert_allclose(mine.mean, theirs.mean, rtol=1e-12)
    level = theirs.psd.max(axis=1)
    first, second = map(list, zip(*theirs.settings.pairs, strict=True))
    both = np.sqrt(level[first] * level[second])
    for name, scale in {
        "psd": level[:, None],
        "group_psd": level[:, None],
        "cross": both[:, None],
        "group_cross": both[:, None],
        "variance": theirs.variance,
        "group_mean": np.sqrt(theirs.variance),
    }.items():
        away = np.abs(getattr(mine, name) - getattr(theirs, name)) / scale
        assert away.max() <= 1e-12, name
    for name in ("tapers", "copy"):
        _assert_same(getattr(found, name), getattr(wanted, name))
    assert whole[0].findings == record.findings
    assert whole[0].provenance == record.provenance


def _assert_same(mine: object, theirs: object) -> None:
    for key, value in vars(theirs).items():
        np.testing.assert_equal(getattr(mine, key), value)


def test_a_range_that_is_missing_costs_a_pass(campaign: Campaign, off: dict[str, RunRead]) -> None:
    """What does not fit together is read as one; what cannot be read fails as it does there."""
    reading, run = Reading(campaign, KEEPS, None), campaign.run("2")
    part = read_range(reading, run, off, (0, 2))
    joined = joined_run(reading, run, off, read_rest(reading, run, off), [part, None])
    lost = replace(run, recordings=(Path("/no/such.npy"),))
    assert isinstance(joined, tuple)
    assert joined[0].spectra.n_samples == N
    assert read_range(reading, lost, off, (0, 2)) is None
    assert read_rest(reading, lost, off) is None
    assert isinstance(joined_run(reading, lost, off, None, []), Failure)


def test_ranges_leave_the_cache_to_who_reads_all(
    tmp_path: Path, off: dict[str, RunRead], monkeypatch: pytest.MonkeyPatch
) -> None:
    """They write nothing, and read what is there."""
    campaign = open_campaign(write_long_run(tmp_path / "c"), cache=True)
    reading, run = Reading(campaign, KEEPS, None), campaign.run("2")
    written: list[int] = []
    add = EntryInMaking.add

    def noted(self: EntryInMaking, block: RawBlock) -> None:
        written.append(block.samples.shape[1])
        add(self, block)

    monkeypatch.setattr(EntryInMaking, "add", noted)

    parts = [read_range(reading, run, off, (i, 2)) for i in range(2)]
    assert None not in parts
    assert written == []
    assert read_rest(reading, run, off) is not None
    assert sum(written) == N
    monkeypatch.delattr(recording_cache, "open_recording")
    assert read_range(reading, run, off, (0, 2)) is not None


def test_more_ranges_than_batches(
    campaign: Campaign, off: dict[str, RunRead], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of very long segments: those that get none are not missed, and nothing is read again."""
    reading, run = Reading(campaign, KEEPS, 200.0), campaign.run("2")
    parts = [read_range(reading, run, off, (i, 9)) for i in range(9)]
    whole = read_rest(reading, run, off)
    monkeypatch.setattr("buffet.workers.ranges.read_or_failed", None)  # nobody may call it
    joined = joined_run(reading, run, off, whole, parts)

    assert None in parts
    assert isinstance(joined, tuple)
    assert joined[0].spectra.n_samples == N


def test_long_runs_are_cut_where_workers_are_idle(
    campaign: Campaign, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As many ranges as they are long, or as workers a run."""
    run = campaign.run("2")
    assert ranges_of(run, 1, 8) == 1
    monkeypatch.setattr("buffet.workers.ranges.LONG_VALUES", 4 * N / 5)
    assert [ranges_of(run, *case) for case in ((1, 8), (1, 3), (4, 8), (8, 8))] == [5, 3, 2, 1]
