"""The server in the data folder: started once, shared, found again after every kind of death, stopped by the last."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import psutil
import psycopg
import pytest

from service.errors import ConfigurationError
from service.store.postgres import EmbeddedPostgres

# A process that starts the server in a folder, says so, and leaves when its input closes.
GUEST = """
import sys
from pathlib import Path
from service.store.postgres import EmbeddedPostgres
with EmbeddedPostgres(durable=False) as postgres:
    print(postgres.start(Path(sys.argv[1])), flush=True)
    sys.stdin.read()
"""


def guest(folder: Path) -> subprocess.Popen[str]:
    command = [sys.executable, "-c", GUEST, str(folder)]
    return subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)


def said(process: subprocess.Popen[str]) -> str:
    assert process.stdout is not None
    return process.stdout.readline().strip()


def end(process: subprocess.Popen[str], how: Callable[[subprocess.Popen[str]], object] | None = None) -> None:
    if how is not None:
        how(process)
    process.communicate(timeout=60)


def servers(folder: Path) -> list[psutil.Process]:
    """The living main server processes of a folder: each works in the cluster, as do its children."""
    found = {}
    for process in psutil.process_iter():
        with contextlib.suppress(psutil.Error):
            if process.cwd() == str(folder / "cluster") and process.status() != psutil.STATUS_ZOMBIE:
                found[process.pid] = (process, process.ppid())
    return [process for process, parent in found.values() if parent not in found]


def count(url: str) -> int:
    with psycopg.connect(url) as connection:
        connection.execute("CREATE TABLE IF NOT EXISTS note (id int)")
        connection.execute("INSERT INTO note VALUES (1)")
        row = connection.execute("SELECT count(*) FROM note").fetchone()
        assert row is not None
        return int(row[0])


def test_it_keeps_its_data_safely_and_listens_on_no_port(data_folder: Path) -> None:
    with EmbeddedPostgres() as postgres:
        url = postgres.start(data_folder)
        with psycopg.connect(url) as connection:
            settings = [
                connection.execute(f"SHOW {name}").fetchone()
                for name in ("fsync", "synchronous_commit", "full_page_writes", "listen_addresses", "server_encoding")
            ]
        assert settings == [("on",), ("on",), ("on",), ("",), ("UTF8",)]
        assert count(url) == 1
        assert len(servers(data_folder)) == 1
    assert servers(data_folder) == []
    with EmbeddedPostgres() as postgres:
        assert postgres.start(data_folder) == url
        assert count(url) == 2
    assert servers(data_folder) == []


def test_only_its_user_can_reach_the_socket(data_folder: Path) -> None:
    with EmbeddedPostgres(durable=False) as postgres:
        postgres.start(data_folder)
        assert (data_folder / "socket").stat().st_mode & 0o077 == 0
        assert (data_folder / "cluster").stat().st_mode & 0o077 == 0
        assert servers(data_folder)[0].uids().effective != 0


def test_processes_share_it_and_the_last_one_stops_it(data_folder: Path) -> None:
    first, second = guest(data_folder), guest(data_folder)  # both find an empty folder at the same moment
    url = said(first)
    assert said(second) == url
    assert len(servers(data_folder)) == 1
    with EmbeddedPostgres(durable=False) as third:
        assert third.start(data_folder) == url
        end(first)
        end(second)
        assert count(url) == 1
    assert servers(data_folder) == []


@pytest.mark.parametrize("death", [signal.SIGKILL, signal.SIGINT, signal.SIGTERM], ids=lambda death: death.name)
def test_a_killed_process_leaves_nothing_that_the_next_start_cannot_take_over(
    data_folder: Path, death: signal.Signals
) -> None:
    killed = guest(data_folder)
    url = said(killed)
    assert count(url) == 1
    end(killed, lambda process: process.send_signal(death))
    with EmbeddedPostgres(durable=False) as postgres:
        assert postgres.start(data_folder) == url
        assert count(url) == 2
    assert servers(data_folder) == []


def test_no_server_outlives_the_processes_that_use_it(data_folder: Path) -> None:
    first, second = guest(data_folder), guest(data_folder)
    url = said(first)
    said(second)
    end(first, lambda process: process.kill())
    time.sleep(3)  # time enough for the guard to look more than once
    assert count(url) == 1
    (server,) = servers(data_folder)
    end(second, lambda process: process.send_signal(signal.SIGHUP))  # what closing a terminal sends
    assert psutil.wait_procs([server], timeout=30)[1] == []
    with EmbeddedPostgres(durable=False) as postgres:
        assert count(postgres.start(data_folder)) == 2


def test_a_killed_guest_does_not_keep_the_server_running(data_folder: Path) -> None:
    with EmbeddedPostgres(durable=False) as postgres:
        postgres.start(data_folder)
        killed = guest(data_folder)
        said(killed)
        end(killed, lambda process: process.kill())
    assert servers(data_folder) == []


def test_after_a_crash_what_was_committed_is_there(data_folder: Path) -> None:
    with EmbeddedPostgres() as crashed:
        url = crashed.start(data_folder)
        assert count(url) == 1
        (server,) = servers(data_folder)
        everything = [server, *server.children()]
        for process in everything:
            with contextlib.suppress(psutil.NoSuchProcess):  # the workers end by themselves without their server
                process.kill()
        psutil.wait_procs(everything, timeout=10)
        with EmbeddedPostgres() as second, pytest.raises(ConfigurationError, match="another process uses this folder"):
            second.start(data_folder)
    with EmbeddedPostgres() as postgres:
        assert postgres.start(data_folder) == url
        assert count(url) == 2
    assert servers(data_folder) == []


def test_a_process_number_given_to_a_stranger_since_is_no_obstacle(data_folder: Path) -> None:
    with EmbeddedPostgres(durable=False) as postgres:
        url = postgres.start(data_folder)
        owner = servers(data_folder)[0].uids().effective
        left = (data_folder / "cluster" / "postmaster.pid").read_text().splitlines()
    # The server itself takes any living process of its own user for another server and refuses to start.
    stranger = subprocess.Popen(["sleep", "60"], user=owner if os.geteuid() == 0 else None)
    (data_folder / "cluster" / "postmaster.pid").write_text("\n".join([str(stranger.pid), *left[1:]]) + "\n")
    try:
        with EmbeddedPostgres(durable=False) as postgres:
            assert postgres.start(data_folder) == url
            assert count(url) == 1
        assert stranger.poll() is None
    finally:
        end(stranger, lambda process: process.kill())
    assert servers(data_folder) == []


@pytest.mark.parametrize("name", ["with space 100% 'quoted' $HOME `ü", 'with, "commas"', "deep/" * 30])
def test_any_folder_will_do(data_folder: Path, name: str) -> None:
    folder = data_folder / name
    with EmbeddedPostgres(durable=False) as postgres:
        url = postgres.start(folder)
        assert count(url) == 1
        socket = Path(psycopg.conninfo.conninfo_to_dict(url)["host"])
        assert socket.is_dir()
    assert servers(folder) == []
    with EmbeddedPostgres(durable=False) as postgres:
        assert count(postgres.start(folder)) == 2
    assert socket.parent == folder or not socket.exists()


def test_a_private_folder_above_is_passed_and_stays_private(data_folder: Path) -> None:
    private = data_folder / "private"
    private.mkdir(mode=0o700)
    with EmbeddedPostgres(durable=False) as postgres:
        assert count(postgres.start(private / "data")) == 1
    # Whoever is not the server's user still finds the door closed.
    assert private.stat().st_mode & 0o007 == 0


def test_half_a_cluster_is_made_anew(data_folder: Path) -> None:
    half = data_folder / "cluster.new"
    half.mkdir()
    (half / "PG_VERSION").write_text("18\n")
    with EmbeddedPostgres(durable=False) as postgres:
        assert count(postgres.start(data_folder)) == 1
    assert not half.exists()


def test_data_of_another_version_are_left_alone(data_folder: Path) -> None:
    with EmbeddedPostgres(durable=False) as postgres:
        postgres.start(data_folder)
    (data_folder / "cluster" / "PG_VERSION").write_text("12\n")
    with (
        EmbeddedPostgres(durable=False) as postgres,
        pytest.raises(ConfigurationError, match="written by PostgreSQL 12"),
    ):
        postgres.start(data_folder)


def test_a_server_that_cannot_start_says_where_to_look(data_folder: Path) -> None:
    with EmbeddedPostgres(durable=False) as postgres:
        postgres.start(data_folder)
    with (data_folder / "cluster" / "postgresql.conf").open("a") as settings:
        settings.write("no_such_setting = 1\n")
    with (
        EmbeddedPostgres(durable=False) as postgres,
        pytest.raises(ConfigurationError, match=r"did not start.*postgres\.log"),
    ):
        postgres.start(data_folder)
    assert servers(data_folder) == []


def test_a_file_is_no_folder(data_folder: Path) -> None:
    (data_folder / "file").write_text("")
    with EmbeddedPostgres() as postgres, pytest.raises(ConfigurationError, match="cannot be used as the data folder"):
        postgres.start(data_folder / "file")


def test_stopping_what_was_not_started_does_nothing() -> None:
    EmbeddedPostgres().stop()
