"""The shape of the code: imports point one way, files and functions stay small."""

import ast
import subprocess
import sys
from collections.abc import Callable, Iterable, Iterator
from functools import cache
from importlib import import_module
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGES = ("ingest", "buffet")
FILES = [path for package in PACKAGES for path in sorted((ROOT / package).rglob("*.py"))]
TESTS = sorted((ROOT / "tests").rglob("*.py"))
LONGEST_FILE = 400
LONGEST_BODY = 50
EMPTY_NAMES = {"utils", "util", "helpers", "common", "misc", "core", "manager"}
HEAVY = ("matplotlib", "click", "pandas", "scipy.signal", "pint", "pydantic", "h5py", "pyarrow")
# Levels of `buffet`, lowest first: a module imports from its own level and those below it.
LEVELS = (
    (
        "shown",
        "interval",
        "json_values",
        "holm",
        "phrases",
        "errors",
        "cautions",
        "heap",
        "usable_band",
    ),
    ("column_units", "writing"),
    ("small_files",),
    ("spectral", "vehicle", "perception", "calibrating", "demo"),
    ("rotation", "road_load"),
    ("peak_classes",),
    ("run_analysis", "stationarity", "record_findings", "blockage", "tubing"),
    ("one_pass", "tunnel_part", "lines_out", "quantity_samples"),
    ("one_run",),
    ("workers",),
    ("analysis",),
    ("resonance",),
    ("road_speed",),
    ("cabin",),
    ("noise_floor",),
    ("bands",),
    ("run_spectra",),
    ("peak_search",),
    ("rig_findings", "stated_resonance", "carrying"),
    ("following", "parts"),
    ("lines", "coherence", "taps", "wavelets", "switching", "extremes", "length", "checking"),
    ("cabin.part",),
    ("crossings", "rating", "sweep.tracks"),
    ("pairs",),
    ("band_ratios", "tap_ratios", "rig_changes", "doubts", "trade_offs", "sweep"),
    ("differences",),
    ("comparing", "trade", "recommending", "planning"),
    ("road_wording", "wind_wording", "crossings.text", "crossings.document"),
    ("rating_entries",),
    ("documents", "terminal"),
    ("comparison_text", "comparison_document", "calibration_text", "calibration_document"),
    ("cabin.open_cabin_text", "cabin.open_cabin_document", "cabin.text", "cabin.document"),
    ("resonance_document", "resonance_text", "spectra_text", "car_document", "car_text"),
    ("lines.text", "lines.document", "taps.text", "taps.document"),
    ("wavelets.text", "wavelets.document"),
    ("switching.text", "switching.document"),
    ("extremes.text", "extremes.document", "length.text", "length.document"),
    ("sweep.text", "sweep.document"),
    ("planning.text", "planning.document"),
    ("coherence.text", "coherence.document"),
    ("report",),
    ("spectra_parts",),
    ("outputs", "spectra_outputs", "options"),
    ("exporting", "schemas", "board"),
    ("frames", "report.plots", "recipes"),
    ("service.errors", "service.settings", "service.database"),
    ("service.blobs", "service.access", "service.intake", "service.logs", "service.metrics"),
    ("service.client",),
    ("opening",),
    ("library",),
    ("service.catalogue",),
    ("service.binned_runs",),
    ("service.jobs",),
    ("service.bell", "service.state", "service.connections"),
    ("service.trees",),
    ("service.changes",),
    ("service.binning", "service.request_log", "service.backup_form"),
    ("service.backup", "service.restore", "service.starting"),
    ("service.watch",),
    ("service.pages",),
    ("service.api", "service.web"),
    ("service.app",),
    ("service.server",),
    ("service",),
    ("commands",),
    ("cli",),
    ("__main__",),
)


@cache
def tree_of(path: Path) -> ast.Module:
    """A file, parsed once for all that is asked of it."""
    return ast.parse(path.read_text(encoding="utf-8"))


def module_of(path: Path) -> str:
    """Dotted name of a file."""
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


@cache
def imported(path: Path) -> tuple[str, ...]:
    """Dotted names of all that a file imports, wherever in the file; not for types alone."""
    return tuple(_imported(path))


def _imported(path: Path) -> Iterator[str]:
    tree = tree_of(path)
    for_types = {
        inner
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"
        for inner in ast.walk(node)
    }
    for node in ast.walk(tree):
        if node in for_types:
            continue
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            whole = [f"{node.module}.{alias.name}" for alias in node.names]
            yield from [module for module in whole if module in MODULES] or [node.module or ""]


PLACES = {name: level for level, names in enumerate(LEVELS) for name in names}
MODULES = {module_of(path) for path in FILES}


def name(path: Path) -> str:
    """Label of a file in the list of tests."""
    return str(path.relative_to(ROOT))


def require_none(wrong: Callable[[Path], object], paths: Iterable[Path]) -> None:
    """All files that have something wrong, with what it is; one test for all is the quicker."""
    found = {name(path): fault for path in paths if (fault := wrong(path))}
    assert not found


def test_ingest_knows_nothing_of_buffet() -> None:
    """Reading files needs no analysis."""
    require_none(
        lambda path: [module for module in imported(path) if module.split(".")[0] == "buffet"],
        (path for path in FILES if name(path).startswith("ingest")),
    )


def test_buffet_uses_the_front_page_of_ingest_only() -> None:
    """`ingest` may be rearranged behind it."""
    require_none(
        lambda path: [module for module in imported(path) if module.startswith("ingest.")],
        (path for path in FILES if name(path).startswith("buffet")),
    )


def level_of(module: str) -> int:
    """Position of a module of `buffet` in the table, by its longest name there."""
    parts = module.split(".")[1:]
    for length in range(len(parts), 0, -1):
        if (known := ".".join(parts[:length])) in PLACES:
            return PLACES[known]
    raise AssertionError(f"{module}: give it a place in LEVELS")


def upward(path: Path) -> list[str]:
    """Modules that one of `buffet` imports from levels above its own."""
    own = level_of(module_of(path))
    inside = [module for module in imported(path) if module.startswith("buffet.")]
    return [module for module in inside if level_of(module) > own]


def test_imports_of_buffet_point_down() -> None:
    """A module imports from its own level and below."""
    require_none(upward, (p for p in FILES if module_of(p).startswith("buffet.")))


@pytest.mark.parametrize("package", PACKAGES)
def test_there_are_no_circles(package: str) -> None:
    """Walking the imports from any module never comes back to it."""
    known = {module_of(p): p for p in FILES if name(p).startswith(package)}
    edges = {
        module: {m for m in imported(path) if m in known and m != package}
        for module, path in known.items()
        if module != package
    }
    while edges:
        free = [module for module, targets in edges.items() if not targets & edges.keys()]
        assert free, f"circle among {sorted(edges)}"
        for module in free:
            del edges[module]


def test_files_are_short_and_named_for_what_they_hold() -> None:
    """At most 400 lines, and no drawer for everything."""
    require_none(
        lambda path: (
            len(path.read_text(encoding="utf-8").splitlines()) > LONGEST_FILE
            or path.stem in EMPTY_NAMES
        ),
        [*FILES, *TESTS],
    )


def body_lines(node: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Lines of a function without signature and docstring."""
    body = node.body[1:] if ast.get_docstring(node) else node.body
    return (body[-1].end_lineno or 0) - body[0].lineno + 1 if body else 0


def long_functions(path: Path) -> list[str]:
    """Names of functions with too long a body."""
    nodes = ast.walk(tree_of(path))
    functions = (n for n in nodes if isinstance(n, ast.FunctionDef | ast.AsyncFunctionDef))
    return [f.name for f in functions if body_lines(f) > LONGEST_BODY]


def test_functions_are_short() -> None:
    """At most 50 lines of body."""
    require_none(long_functions, [*FILES, *TESTS])


def public_definitions(tree: ast.Module) -> list[ast.FunctionDef | ast.ClassDef]:
    """Public functions and classes of a module."""
    nodes = [n for n in tree.body if isinstance(n, ast.FunctionDef | ast.ClassDef)]
    return [node for node in nodes if not node.name.startswith("_")]


def undescribed(path: Path) -> list[str]:
    """What of a module's public names, and whether the module itself, lacks a docstring."""
    tree = tree_of(path)
    lacking = [] if not tree.body or ast.get_docstring(tree) else ["the module"]
    return lacking + [one.name for one in public_definitions(tree) if not ast.get_docstring(one)]


def test_everything_public_is_described() -> None:
    """Modules, public classes and functions have a docstring."""
    require_none(undescribed, FILES)


def wordless_tests(path: Path) -> list[str]:
    """Tests without a docstring; a file of tests without any."""
    functions = [n for n in ast.walk(tree_of(path)) if isinstance(n, ast.FunctionDef)]
    tests = [f for f in functions if f.name.startswith("test_")]
    return [f.name for f in tests if not ast.get_docstring(f)] if tests else ["no tests"]


def test_every_test_says_what_it_holds() -> None:
    """A docstring in each."""
    require_none(wordless_tests, (path for path in TESTS if path.name.startswith("test_")))


@pytest.mark.parametrize("package", PACKAGES)
def test_a_front_page_loads_nothing_heavy(package: str) -> None:
    """In a fresh interpreter."""
    code = f"import sys, {package}; print([m for m in {HEAVY!r} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT)
    assert done.stdout.strip() == "[]", done.stdout + done.stderr


def test_the_front_page_of_ingest_is_sorted_and_complete() -> None:
    """Each name of `__all__` is there, and `dir` lists the same."""
    page = import_module("ingest")
    assert page.__all__ == sorted(set(page.__all__))
    assert dir(page) == page.__all__
    for exported in page.__all__:
        assert getattr(page, exported) is not None


def test_an_unknown_name_of_the_front_page_is_an_error() -> None:
    """Lazy loading keeps Python's own message."""
    with pytest.raises(AttributeError, match="module 'ingest' has no attribute 'nothing'"):
        import_module("ingest").nothing  # noqa: B018
