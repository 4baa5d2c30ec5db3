"""Policy editions as data, one TOML file each, named `<series>-<edition>.toml`; `common/` holds what all share.

An edition that says `care_of = "<id>"` borrows that edition's intervals and stop rules, marked as unconfirmed.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

from service.core.care import CARE_KEYS, Care, borrow, parse_care
from service.core.origin import only
from service.core.policy import Policy, parse_policy
from service.errors import ConfigurationError

FOLDER = Path(__file__).parent
COMMON = FOLDER / "common" / "aftercare.toml"


def read_policy(path: Path) -> Policy:
    """The edition in one file. Raises ConfigurationError naming the file and the key."""
    data = _read(path)
    policy = parse_policy(data, path.name, _base(data, path))
    if policy.id != path.stem:
        raise ConfigurationError(path.name, f"the id {policy.id!r} and the file's name differ")
    return policy


def load_policies(folder: Path = FOLDER) -> Mapping[str, Policy]:
    """Every edition in `folder` by id."""
    return {policy.id: policy for policy in map(read_policy, sorted(folder.glob("*.toml")))}


def _base(data: Mapping[str, Any], path: Path) -> Care:
    """What the edition stands on: what is common to all, and the care of another edition if it borrows."""
    owner = data.get("care_of")
    if owner is None:
        return _common()
    beside, ours = (folder / f"{owner}.toml" for folder in (path.parent, FOLDER))
    lender = beside if beside.is_file() else ours
    if lender.stem == path.stem or not lender.is_file():
        raise ConfigurationError(f"{path.name}: care_of", f"{owner!r} is not another edition")
    lent = _read(lender)
    if "repeat" not in lent:
        raise ConfigurationError(f"{path.name}: care_of", f"{owner!r} has no [[repeat]] table of its own to lend")
    return borrow(parse_care(lent, lender.name, _common()), str(owner))


@cache
def _common() -> Care:
    data = _read(COMMON)
    only(data, CARE_KEYS, COMMON.name)
    return parse_care(data, COMMON.name, Care())


def _read(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text("utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise ConfigurationError(path.name, f"cannot be read: {error}") from None
