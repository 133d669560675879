"""Memory that was freed: used again within a process, given back when that is asked for."""

import os
import subprocess
import sys

# As Dask starts its workers.
AT_ONCE = {"MALLOC_TRIM_THRESHOLD_": "65536"}
HEAD = "import resource\nimport numpy as np\nfrom buffet import heap\n"
# Pages that a hundred arrays of a megabyte in turn ask the system for; of 4 kB, 256 each.
PAGES = """
before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
for _ in range(100):
    np.ones(1 << 17)
print(resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before)
"""
# Megabytes that freed arrays of 128 kB, below one that stays, leave in the process.
LEFT = """
def resident():
    (line,) = (line for line in open("/proc/self/status") if line.startswith("VmRSS"))
    return int(line.split()[1]) / 1024
before = resident()
arrays = [np.ones(1 << 14) for _ in range(500)]
last = np.ones(1 << 14)
del arrays
{}
print(resident() - before)
"""


def told(code: str, environment: dict[str, str]) -> float:
    """What a fresh process prints."""
    command = [sys.executable, "-c", HEAD + code]
    own = os.environ | environment
    return float(subprocess.run(command, check=True, capture_output=True, env=own).stdout)


def test_freed_memory_is_used_again() -> None:
    """Also where a process was started to give it back at once."""
    assert told(PAGES, AT_ONCE) > 100 * 200
    assert told("heap.reuse_freed()" + PAGES, AT_ONCE) < 100 * 20


def test_freed_memory_is_given_back() -> None:
    """Also from below what is still in use."""
    assert told("heap.reuse_freed()" + LEFT.format(""), {}) > 50
    assert told("heap.reuse_freed()" + LEFT.format("heap.give_back()"), {}) < 10
