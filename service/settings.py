"""Settings: the environment, read once, into one frozen object. Nothing else reads `os.environ`.

DATABASE_URL             PostgreSQL to use; without it an embedded one starts in the data folder
RIDGELINE_DATA           the data folder (default: the user's data folder, for root /var/lib/ridgeline)
RIDGELINE_MAPPINGS       folder of site files (default: `mappings` beside the program, else here)
RIDGELINE_POLICIES       folder of policy editions (default: the ones that come with the program)
RIDGELINE_HOST, _PORT    where to listen (default 127.0.0.1, 8321)
RIDGELINE_PUBLIC_URL     how sites' servers reach this service, for subscriptions and links
RIDGELINE_MAX_BODY       largest body a hook takes, in bytes (default 16 MiB)
RIDGELINE_DOWNTIME       folder for copies of the lists and of today's round sheets, for when there is no server
RIDGELINE_OPEN           "1": listen beyond this machine while nobody is registered; something in front must guard it
...                      and the variables that site files name for their secrets
"""

from __future__ import annotations

import ipaddress
import os
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

from service.errors import ConfigurationError

DEFAULT_PORT: Final = 8321
DEFAULT_MAX_BODY: Final = 16 * 1024 * 1024


@dataclass(frozen=True)
class Settings:
    """Everything that may differ between two installations of the same program. See the module text."""

    data: Path
    mappings: Path
    database_url: str | None = field(default=None, repr=False)
    policies: Path | None = None
    host: str = "127.0.0.1"
    port: int = DEFAULT_PORT
    public_url: str | None = None
    max_body: int = DEFAULT_MAX_BODY
    open: bool = False
    downtime: Path | None = None
    secrets: Mapping[str, str] = field(default_factory=dict, repr=False)
    """The environment, for the variables that site files name."""

    @property
    def url(self) -> str:
        """How this service is reached: the public URL, else the address it listens on. No slash at the end."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return (self.public_url or f"http://{host}:{self.port}").rstrip("/")

    def secret(self, variable: str) -> str:
        """The value of a variable a site file names. Raises ConfigurationError when it is not set."""
        value = self.secrets.get(variable, "")
        if not value:
            raise ConfigurationError(variable, "this environment variable is named by a site file and is not set")
        return value

    def having(self, **changes: object) -> Settings:
        """A copy with other values; None leaves a value as it is."""
        given = {name: value for name, value in changes.items() if value is not None}
        return replace(self, **given)  # type: ignore[arg-type]

    @property
    def beyond(self) -> bool:
        """Whether other machines can reach it."""
        return not _is_loopback(self.host)

    def check_listening(self, registered: bool) -> None:
        """Refuse to show patients' data beyond this machine while nobody has to sign in: nobody is `registered`."""
        if self.beyond and not (registered or self.open):
            raise ConfigurationError(
                "RIDGELINE_HOST",
                f"{self.host} can be reached from other machines and nobody has to sign in, because nobody is "
                "registered; add somebody of IT with `ridgeline people add`, or listen on 127.0.0.1, or set "
                "RIDGELINE_OPEN=1 if something in front guards it",
            )


def read_settings(environment: Mapping[str, str] | None = None) -> Settings:
    """The settings of this process. Raises ConfigurationError naming the variable."""
    env = dict(os.environ if environment is None else environment)
    return Settings(
        data=Path(env["RIDGELINE_DATA"]) if env.get("RIDGELINE_DATA") else _data_folder(env),
        mappings=Path(env["RIDGELINE_MAPPINGS"]) if env.get("RIDGELINE_MAPPINGS") else _mappings_folder(),
        database_url=env.get("DATABASE_URL") or None,
        policies=Path(env["RIDGELINE_POLICIES"]) if env.get("RIDGELINE_POLICIES") else None,
        host=env.get("RIDGELINE_HOST") or "127.0.0.1",
        port=_number(env, "RIDGELINE_PORT", DEFAULT_PORT, 65535),
        public_url=env.get("RIDGELINE_PUBLIC_URL") or None,
        max_body=_number(env, "RIDGELINE_MAX_BODY", DEFAULT_MAX_BODY, 1 << 31),
        open=env.get("RIDGELINE_OPEN") == "1",
        downtime=Path(env["RIDGELINE_DOWNTIME"]) if env.get("RIDGELINE_DOWNTIME") else None,
        secrets=env,
    )


def _number(env: Mapping[str, str], name: str, default: int, most: int) -> int:
    text = env.get(name, "")
    if not text:
        return default
    if not text.isascii() or not text.isdigit() or not 1 <= int(text) <= most:
        raise ConfigurationError(name, f"must be a whole number from 1 to {most}")
    return int(text)


def _data_folder(env: Mapping[str, str]) -> Path:
    """Root's own folders are closed to the user an embedded PostgreSQL runs as."""
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        return Path("/var/lib/ridgeline")
    return Path(env.get("XDG_DATA_HOME") or Path.home() / ".local" / "share") / "ridgeline"


def _mappings_folder() -> Path:
    beside = Path(__file__).parent.parent / "mappings"
    return beside if beside.is_dir() else Path("mappings")


def _is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
