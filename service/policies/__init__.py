"""Policy editions as data, one TOML file each, named `<series>-<edition>.toml`."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path

from service.core.policy import Policy, parse_policy
from service.errors import ConfigurationError

FOLDER = Path(__file__).parent


def read_policy(path: Path) -> Policy:
    """The edition in one file. Raises ConfigurationError naming the file and the key."""
    try:
        data = tomllib.loads(path.read_text("utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise ConfigurationError(path.name, f"cannot be read: {error}") from None
    policy = parse_policy(data, path.name)
    if policy.id != path.stem:
        raise ConfigurationError(path.name, f"the id {policy.id!r} and the file's name differ")
    return policy


def load_policies(folder: Path = FOLDER) -> Mapping[str, Policy]:
    """Every edition in `folder` by id."""
    return {policy.id: policy for policy in map(read_policy, sorted(folder.glob("*.toml")))}
