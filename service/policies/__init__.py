"""Policy editions as data, one TOML file each, named `<series>-<edition>.toml`; `common/` holds what all share.

An edition that says `care_of = "<id>"` borrows that edition's intervals and stop rules, marked as unconfirmed, as far
as it has none of its own. A site's variations of editions lie in a folder of their own (core/variation.py).

Everything that one of them is read from makes a *document*: JSON-able, self-contained, kept by the store, so that
yesterday's edition can still decide when the files have changed.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from datetime import date, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

from service.core.care import CARE_KEYS, Care, borrow, parse_care
from service.core.origin import only, text
from service.core.policy import Policy, parse_policy
from service.core.variation import vary
from service.errors import ConfigurationError

FOLDER = Path(__file__).parent
COMMON = FOLDER / "common" / "aftercare.toml"
VARIATIONS: Final = "variations"
"""The folder of variations beside the site files."""

_PARTS: Final = ("edition", "lender", "common", "variation")


def read_policy(path: Path) -> Policy:
    """The edition in one file. Raises ConfigurationError naming the file and the key."""
    return _named(parse_document(_edition(path), path.name), path)


def read_variation(path: Path, folder: Path = FOLDER) -> Policy:
    """The variation in one file, of an edition in `folder`. Raises ConfigurationError naming the file and the key."""
    return _named(parse_document(_variation(path, folder), path.name), path)


def load_policies(folder: Path = FOLDER, variations: Path | None = None) -> Mapping[str, Policy]:
    """Every edition in `folder`, and every variation in `variations` if there is such a folder, by id."""
    found = {policy.id: policy for policy in map(read_policy, sorted(folder.glob("*.toml")))}
    for path in variation_files(variations):
        found[path.stem] = read_variation(path, folder)
    return found


def variation_files(variations: Path | None) -> list[Path]:
    """The files of variations in a folder, which need not exist."""
    return [] if variations is None else sorted(variations.glob("*.toml"))


def load_document(id: str, folder: Path = FOLDER, variations: Path | None = None) -> dict[str, Any]:
    """All that an edition or variation is read from, less the examples: the raw tables of the `edition`, of its
    `lender` if it borrows, of what is `common`, and of the `variation`. Raises ConfigurationError."""
    path = folder / f"{id}.toml"
    document = _edition(path) if path.is_file() else _variation((variations or folder) / path.name, folder)
    return {
        part: {key: _jsonable(value) for key, value in data.items() if key != "example"}
        for part, data in document.items()
    }


def parse_document(document: Mapping[str, Any], where: str = "document") -> Policy:
    """The Policy that `load_document` told of, or whose files are read. Raises ConfigurationError."""
    only(document, _PARTS, where)
    if not all(isinstance(document.get(part, {}), Mapping) for part in _PARTS) or "edition" not in document:
        raise ConfigurationError(where, "must hold the raw tables of an edition", _PARTS)
    edition, lender, changes = (document.get(part) for part in ("edition", "lender", "variation"))
    shared = document.get("common", {})
    only(shared, CARE_KEYS, COMMON.name)
    base = common = parse_care(shared, COMMON.name, Care())
    if lender is not None:
        owner = text(lender, "id", f"{where}: care_of")
        base = borrow(parse_care(lender, f"{owner}.toml", common), owner, common)
    policy = parse_policy(edition or {}, where if changes is None else f"{changes.get('extends')}.toml", base)
    return policy if changes is None else vary(policy, changes, where)


def _edition(path: Path) -> dict[str, Any]:
    """What an edition is read from: its own file, what is common to all, and the edition it borrows from."""
    data = _read(path)
    document = {"edition": data, "common": _read(COMMON)}
    owner = data.get("care_of")
    if owner is None:
        return document
    beside, ours = (folder / f"{owner}.toml" for folder in (path.parent, FOLDER))
    lender = beside if beside.is_file() else ours
    if lender.stem == path.stem or not lender.is_file():
        raise ConfigurationError(f"{path.name}: care_of", f"{owner!r} is not another edition")
    lent = _read(lender)
    if "repeat" not in lent:
        raise ConfigurationError(f"{path.name}: care_of", f"{owner!r} has no [[repeat]] table of its own to lend")
    if "care_of" in lent:
        raise ConfigurationError(f"{path.name}: care_of", f"{owner!r} borrows itself, and lends nothing")
    return {**document, "lender": lent}


def _variation(path: Path, folder: Path) -> dict[str, Any]:
    """What a variation is read from: its own file and all of the edition it extends."""
    data = _read(path)
    base = folder / f"{text(data, 'extends', path.name)}.toml"
    if not base.is_file():
        known = tuple(sorted(edition.stem for edition in folder.glob("*.toml")))
        raise ConfigurationError(f"{path.name}: extends", f"{data['extends']!r} is not an edition", known)
    if (folder / path.name).is_file():
        raise ConfigurationError(f"{path.name}: id", f"{path.stem!r} is an edition: a variation has an id of its own")
    return {**_edition(base), "variation": data}


def _named(policy: Policy, path: Path) -> Policy:
    if policy.id != path.stem:
        raise ConfigurationError(path.name, f"the id {policy.id!r} and the file's name differ")
    return policy


def _jsonable(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: _jsonable(part) for key, part in value.items()}
    if isinstance(value, list):
        return [_jsonable(part) for part in value]
    return value.isoformat() if isinstance(value, date | datetime) else value


def _read(path: Path) -> dict[str, Any]:
    try:
        return _parsed(path.read_text("utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise ConfigurationError(path.name, f"cannot be read: {error}") from None


@lru_cache(maxsize=64)
def _parsed(text: str) -> dict[str, Any]:
    """A file's tables, not to be changed: one edition is read for all that borrow from it."""
    return tomllib.loads(text)
