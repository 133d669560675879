"""`python -m buffet` and the `buffet` command."""

from __future__ import annotations

import os

# Before numpy is loaded, which then would have a thread a core: its matrix products are many and
# small, and on two cores threads waiting for each other doubled the processor time of a rating.
if "OMP_NUM_THREADS" not in os.environ:
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from buffet.cli import main

__all__ = ["main"]

if __name__ == "__main__":
    main()
