"""`ridgeline people`: the first person, and what changes with them. Passwords never stand on a command line."""

from __future__ import annotations

import json
from pathlib import Path

import httpx
import pytest
from journeys.command import Running, environment, run
from ports import free_port

PASSWORD = "seven grey herons at dawn"


@pytest.fixture
def env(tmp_path: Path, database_url: str) -> dict[str, str]:
    return environment(tmp_path, DATABASE_URL=database_url)


def test_the_first_person_and_listening_beyond_this_machine(env: dict[str, str]) -> None:
    port = str(free_port())
    refused = run("serve", "--host", "0.0.0.0", "--port", port, env=env)
    assert refused.returncode == 1 and "nobody is registered" in refused.stderr
    added = run(
        "people", "add", "millet", "--name", "Millet", "--role", "it", "--all-sites", env=env, stdin=f"{PASSWORD}\n"
    )
    assert added.returncode == 0, added.stderr
    assert "added millet, it; from now on everybody has to sign in" in added.stdout
    assert PASSWORD not in added.stdout + added.stderr
    with Running("serve", "--host", "0.0.0.0", "--port", port, env=env) as serving:
        serving.wait_for("listening on")
        page = httpx.get(f"http://127.0.0.1:{port}/")
        assert (page.status_code, page.headers["location"]) == (303, "/sign-in")
        typed = {"name": "millet", "password": PASSWORD}
        answer = httpx.post(
            f"http://127.0.0.1:{port}/sign-in", data=typed, headers={"Sec-Fetch-Site": "same-origin"}, timeout=30
        )
        assert answer.status_code == 303
    assert "without encryption" in serving.said  # nobody said that https stands in front
    assert PASSWORD not in serving.said and "millet" not in serving.said


def test_people_are_listed_changed_and_retired(env: dict[str, str]) -> None:
    who = ("--name", "Nurse Fennel", "--role", "unit", "--site", "larkmoor")
    assert run("people", "add", "fennel", *who, env=env, stdin=f"{PASSWORD}\n").returncode == 0
    again = run("people", "add", "Fennel", *who, env=env, stdin=f"{PASSWORD}\n")
    assert again.returncode == 1 and "taken" in again.stderr
    moved = run("people", "change", "fennel", "--site", "quillhaven", "--site", "larkmoor", env=env)
    assert moved.returncode == 0 and "changed fennel" in moved.stdout
    assert run("people", "change", "fennel", "--password", env=env, stdin="another long one\n").returncode == 0
    (fennel,) = json.loads(run("people", "list", "--json", env=env).stdout)
    assert fennel == {
        "sign_in": "fennel", "name": "Nurse Fennel", "role": "unit", "active": True, "language": "",
        "sites": ["larkmoor", "quillhaven"],
    }  # fmt: skip
    assert run("people", "retire", "fennel", env=env).returncode == 0
    table = run("people", "list", env=env).stdout
    assert "Nurse Fennel" in table and "retired" in table and "argon2" not in table


def test_a_machine_gets_a_token_once(env: dict[str, str]) -> None:
    who = ("--name", "Interface", "--role", "machine", "--site", "larkmoor")
    added = run("people", "add", "interface", *who, env=env)
    assert added.returncode == 0 and "its token, shown once: " in added.stdout
    token = added.stdout.rpartition(" ")[2].strip()
    assert token not in run("people", "list", "--json", env=env).stdout


@pytest.mark.parametrize(
    ("arguments", "said", "code"),
    [
        (("people",), "WHAT", 2),
        (("people", "add", "fennel", "--name", "F", "--role", "unit"), "--site", 2),
        (("people", "add", "fennel", "--name", "F", "--role", "king", "--all-sites"), "a role is one of", 1),
        (("people", "add", "fennel", "--name", "F", "--role", "unit", "--site", "nowhere"), "no site", 1),
        (("people", "add", "f f", "--name", "F", "--role", "unit", "--all-sites"), "sign-in name", 1),
        (("people", "retire", "nobody"), "nobody is registered under this", 1),
        (("people", "add", "fennel", "--password", "x"), "", 2),
    ],
)  # fmt: skip
def test_what_cannot_be_is_said(env: dict[str, str], arguments: tuple[str, ...], said: str, code: int) -> None:
    answer = run(*arguments, env=env, stdin=f"{PASSWORD}\n")
    assert answer.returncode == code, answer.stderr
    assert said in answer.stderr and "Traceback" not in answer.stderr


def test_a_short_password_adds_nobody(env: dict[str, str]) -> None:
    who = ("--name", "F", "--role", "unit", "--all-sites")
    answer = run("people", "add", "fennel", *who, env=env, stdin="too short\n")
    assert answer.returncode == 1 and "at least 12 characters" in answer.stderr and "too short" not in answer.stderr
    assert json.loads(run("people", "list", "--json", env=env).stdout) == []


def test_people_of_an_embedded_database_are_found_by_its_folder(tmp_path: Path) -> None:
    env, data = environment(tmp_path / "usual"), tmp_path / "another"
    who = ("--name", "Millet", "--role", "it", "--all-sites")
    added = run("people", "add", "millet", *who, "--data", data, env=env, stdin=f"{PASSWORD}\n")
    assert added.returncode == 0, added.stderr
    for place in (("--data", data, "list"), ("list", "--data", data)):
        (millet,) = json.loads(run("people", *place, "--json", env=env).stdout)
        assert millet["sign_in"] == "millet"
    assert not (tmp_path / "usual" / "postgres").exists()
