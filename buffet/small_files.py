"""Files of small tables that people hand in: read whole, within a bound, or refused."""

from __future__ import annotations

import csv
from pathlib import Path

from buffet.errors import BuffetError
from ingest import SmallTable, small_table


def small_file(
    path: Path, largest_bytes: int, wanted: str, refused: type[BuffetError]
) -> tuple[bytes, SmallTable]:
    """Bytes of a delimited text in UTF-8, and its table.

    Parameters
    ----------
    wanted : what the file was to hold, for the message
    refused : the error that is raised

    Raises
    ------
    BuffetError
        Of the kind `refused`: the file cannot be read, is too large or no such text.
    """
    try:
        if path.stat().st_size > largest_bytes:
            raise refused(f"{path}: is larger than {largest_bytes / 1e6:g} MB; wanted {wanted}")
        data = path.read_bytes()
        return data, small_table(data.decode("utf-8-sig"))
    except OSError as error:
        raise refused(f"{path}: cannot be read ({error.strerror})") from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise refused(f"{path}: is no delimited text in UTF-8; save it as CSV (UTF-8)") from error
