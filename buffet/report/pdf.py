"""The report as PDF: the page's own HTML, set on A4."""

from __future__ import annotations

import logging
from pathlib import Path

from buffet.errors import OutputError

EXTRA = "PDF needs the extra: pip install 'buffeting[pdf]'"
LIBRARIES = "libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0"


def require_pdf() -> None:
    """Refuse before any recording is read.

    Raises
    ------
    OutputError
        WeasyPrint or a library of the system that it draws text with is missing.
    """
    try:
        import weasyprint  # noqa: F401
    except ImportError as error:
        raise OutputError(f"{EXTRA}, or write .html and print that from a browser") from error
    except OSError as error:  # its own words span a screen; what is missing stands in the first
        first = str(error).strip().splitlines()[0]
        raise OutputError(
            f"PDF needs libraries of the system, in Debian: apt-get install {LIBRARIES} ({first}); "
            "or write .html and print that from a browser"
        ) from error


def write_pdf(html: str, path: Path) -> None:
    """Set a page of `report_html`; the same page gives the same bytes.

    Raises
    ------
    OutputError
        As `require_pdf`.
    """
    require_pdf()
    from weasyprint import HTML

    def nothing_from_outside(url: str, *_: object, **__: object) -> dict[str, object]:
        raise ValueError(f"the report loads nothing, {url} neither")

    # The subsetting of fonts tells of every table that it drops.
    logging.getLogger("fontTools").setLevel(logging.WARNING)
    HTML(string=html, url_fetcher=nothing_from_outside).write_pdf(path, pdf_variant="pdf/ua-1")
