"""Peak memory of a process of its own, in which nothing else was loaded."""

from __future__ import annotations

import subprocess
import sys

# Asked of Linux: what `resource` tells begins with the peak of whoever started the process.
TELL = """import atexit, sys
def tell():
    (peak,) = (line for line in open("/proc/self/status") if line.startswith("VmHWM"))
    print(int(peak.split()[1]) * 1024 / 1e6, file=sys.stderr)
atexit.register(tell)
"""
COMMAND = "from buffet.__main__ import main\nmain()\n"


def peak_mb(code: str, *arguments: str) -> float:
    """Of Python code with these arguments; `COMMAND` is the command line.

    Raises
    ------
    subprocess.CalledProcessError
        It failed.
    """
    command = [sys.executable, "-c", TELL + code, *arguments]
    done = subprocess.run(
        command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
    )
    return float(done.stderr.split()[-1])
