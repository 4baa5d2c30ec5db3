"""Files: a FHIR resource or Bundle, or NDJSON, plain or gzipped. A line of NDJSON is one arrival, a Bundle is one."""

from __future__ import annotations

import gzip
import json
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from io import BufferedReader
from pathlib import Path
from typing import IO, Final, cast

from service.errors import NotUnderstood
from service.flow import Flow
from service.store.arrivals import Arrival

NAME: Final = "file"
BATCH: Final = 200


@dataclass(frozen=True, slots=True)
class Tally:
    """What became of a file so far."""

    arrivals: int = 0
    undigested: int = 0
    facts: int = 0
    rejections: int = 0


def ingest(flow: Flow, site: str, path: Path) -> Iterator[Tally]:
    """Bring a file in, a batch at a time; yields the running tally after each commit.

    A batch that was yielded is durable, so a run that breaks off can simply be done again. Raises NotUnderstood when
    the file cannot be read at all, NotFound for an unknown site.
    """
    flow.site(site)
    tally = Tally()
    batch: list[Arrival] = []
    for body in bodies(path):
        batch.append(Arrival(site, NAME, body, "", path.name))
        if len(batch) == BATCH:
            yield (tally := _accept(flow, batch, tally))
            batch = []
    if batch:
        yield _accept(flow, batch, tally)


def bodies(path: Path) -> Iterator[bytes]:
    """What a file brings, one body at a time: the whole of a JSON document, or each line of NDJSON that is not blank.

    Raises NotUnderstood, with a sentence, for a file that is missing, empty, no text, or damaged.
    """
    try:
        with path.open("rb") as raw, _unzipped(raw) as lines:
            first = next((line for line in lines if line.strip(b"\xef\xbb\xbf \t\r\n")), None)
            if first is None:
                raise NotUnderstood(f"{path.name} is empty")
            if b"\x00" in first:
                raise NotUnderstood(f"{path.name} is not text; JSON, NDJSON or either gzipped is wanted")
            if not _is_json(first):
                whole = first + lines.read()
                each = [line.strip() for line in whole.splitlines() if line.strip()]
                by_line = not _is_json(whole) and any(_is_json(line) for line in each if line.startswith(b"{"))
                yield from each if by_line else [whole]
                return
            yield first.strip()
            for line in lines:
                if line.strip():
                    yield line.strip()
    except FileNotFoundError:
        raise NotUnderstood(f"{path.name}: there is no such file") from None
    except IsADirectoryError:
        raise NotUnderstood(f"{path.name} is a folder; name the files in it") from None
    except PermissionError:
        raise NotUnderstood(f"{path.name} may not be read") from None
    except (EOFError, zlib.error, gzip.BadGzipFile):
        raise NotUnderstood(
            f"{path.name} is damaged: its compressed data ends too early or is not what it says"
        ) from None


def _unzipped(raw: BufferedReader) -> IO[bytes]:
    """What the file holds, whether it is gzipped or not; looks ahead without taking a byte, so that a pipe will do."""
    return cast(IO[bytes], gzip.GzipFile(fileobj=raw)) if raw.peek(2).startswith(b"\x1f\x8b") else raw


def _is_json(line: bytes) -> bool:
    try:
        json.loads(line.removeprefix(b"\xef\xbb\xbf"))
    except (ValueError, RecursionError):
        return False
    return True


def _accept(flow: Flow, batch: list[Arrival], tally: Tally) -> Tally:
    receipts = flow.accept(batch)
    return replace(
        tally,
        arrivals=tally.arrivals + len(receipts),
        undigested=tally.undigested + sum(not receipt.digested for receipt in receipts),
        facts=tally.facts + sum(receipt.facts for receipt in receipts),
        rejections=tally.rejections + sum(receipt.rejections for receipt in receipts),
    )
