"""A worker process: reads tasks as lines of JSON, computes, answers in lines of JSON.

It parses files that strangers made, so its memory is bounded, it holds no password and reaches
nothing but its task's folder by name. It ends when whoever started it does.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import resource
import sys
import threading
import traceback
from pathlib import Path
from queue import SimpleQueue
from typing import Any, TextIO

LARGEST_FILE_BYTES = 64 * 2**30
_POSITION = re.compile(r"\((\d+) of (\d+)\)")


def main(memory_bytes: int) -> None:
    """Work until the input ends."""
    _limit(memory_bytes)
    answers = os.fdopen(os.dup(sys.stdout.fileno()), "w", buffering=1)
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # nothing printed by a library is an answer
    tasks: SimpleQueue[dict[str, Any]] = SimpleQueue()
    threading.Thread(target=_listen, args=(tasks,), daemon=True).start()
    from buffet.service.jobs.computing import Computer

    computer = Computer()
    _say(answers, {"ready": True})
    while True:
        _work(computer, tasks.get(), answers)


def _limit(memory_bytes: int) -> None:
    for what, limit in (
        (resource.RLIMIT_AS, memory_bytes),
        (resource.RLIMIT_FSIZE, LARGEST_FILE_BYTES),
        (resource.RLIMIT_NOFILE, 512),
        (resource.RLIMIT_CORE, 0),
    ):
        _, hard = resource.getrlimit(what)
        least = limit if hard == resource.RLIM_INFINITY else min(limit, hard)
        resource.setrlimit(what, (least, least))


def _listen(tasks: SimpleQueue[dict[str, Any]]) -> None:
    """The input's end is the server's end: a computation that goes on would serve nobody."""
    with contextlib.suppress(ValueError, OSError):
        for line in sys.stdin:
            tasks.put(json.loads(line))
    os._exit(0)


def _work(computer: Any, told: dict[str, Any], answers: TextIO) -> None:
    from buffet.errors import BuffetError
    from buffet.service.jobs.computing import Task
    from ingest import IngestError

    folder, output = Path(told["folder"]), Path(told["output"])
    task = Task(told["kind"], told["settings"], told["files"], folder, output)

    def progress(text: str) -> None:
        found = _POSITION.search(text)
        share = int(found[1]) / int(found[2]) if found else None
        _say(answers, {"progress": text, "share": share})

    try:
        media_type = computer.run(task, progress)
        _say(answers, {"done": media_type})
    except (IngestError, BuffetError) as error:
        _say(answers, {"failed": _without(folder, str(error))})
    except MemoryError:
        why = "needs more memory than it may take; `buffet serve --memory` allows more"
        _say(answers, {"failed": why})
    except OSError as error:
        # A full disk, above all; nothing of the result stays.
        _say(answers, {"failed": _without(folder, f"cannot be written: {error}")})
    except Exception:
        traceback.print_exc()
        _say(answers, {"failed": "the program failed; its log says where"})


def _without(folder: Path, text: str) -> str:
    """A message without the place where the campaign happened to be laid out."""
    return text.replace(f"{folder}/", "").replace(str(folder), "the campaign")


def _say(answers: TextIO, message: dict[str, Any]) -> None:
    answers.write(json.dumps(message) + "\n")


if __name__ == "__main__":
    main(int(sys.argv[1]))
