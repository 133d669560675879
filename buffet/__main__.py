"""`python -m buffet` and the `buffet` command."""

from __future__ import annotations

from buffet.cli import main

__all__ = ["main"]

if __name__ == "__main__":
    main()
