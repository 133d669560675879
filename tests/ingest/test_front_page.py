"""The package's front page is complete, sorted and light."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import ingest

PAGE = Path(ingest.__file__)


def _imported_for_typing() -> set[str]:
    """Names the front page shows to a type checker."""
    tree = ast.parse(PAGE.read_text(encoding="utf-8"))
    block = next(node for node in tree.body if isinstance(node, ast.If))
    return {
        alias.asname or alias.name
        for node in block.body
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }


def test_every_name_is_there_for_people_and_type_checkers() -> None:
    """__all__ is sorted, each name loads, and the type checker sees the same names."""
    assert list(ingest.__all__) == sorted(ingest.__all__)
    assert _imported_for_typing() == set(ingest.__all__) == set(dir(ingest))
    for name in ingest.__all__:
        assert getattr(ingest, name) is not None


def test_no_name_is_hidden_by_a_module() -> None:
    """A module of the same name would take a function's place once it is loaded."""
    modules = {path.stem for path in PAGE.parent.glob("*.py")}

    assert modules.isdisjoint(ingest.__all__)


def test_unknown_name_is_an_attribute_error() -> None:
    """A misspelt import fails as it would in any module."""
    with pytest.raises(AttributeError, match="module 'ingest' has no attribute 'open_campain'"):
        _ = ingest.open_campain


@pytest.mark.parametrize(
    "statement",
    ["import ingest", "from ingest import Channel, IngestError, Finding, Vehicle"],
)
def test_nothing_heavy_loads_before_it_is_needed(statement: str) -> None:
    """A fresh interpreter imports the front page and its plain names without any library."""
    heavy = ["numpy", "scipy", "pandas", "pint", "pydantic", "matplotlib"]
    code = f"import sys; {statement}; print([m for m in {heavy!r} if m in sys.modules])"

    result = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )

    assert result.stdout.strip() == "[]"


def test_opening_a_campaign_needs_no_reader(tmp_path: Path) -> None:
    """pandas and scipy's parts stay unloaded while sheets are checked."""
    from tests.ingest.campaigns import write_campaign

    code = (
        "import sys, ingest; ingest.open_campaign(sys.argv[1]);"
        "print([m for m in ('pandas', 'scipy.signal', 'matplotlib') if m in sys.modules])"
    )

    result = subprocess.run(
        [sys.executable, "-c", code, str(write_campaign(tmp_path))],
        capture_output=True,
        text=True,
        check=True,
    )

    assert result.stdout.strip() == "[]"
