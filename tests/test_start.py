"""The script behind both commands of the README: what it says to a machine it cannot work on, and what it runs."""

from __future__ import annotations

import re
import runpy
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

SCRIPT = Path(__file__).resolve().parents[1] / ".ci" / "start"


@pytest.fixture(scope="module")
def start() -> dict[str, Any]:
    """The script's own names."""
    return runpy.run_path(str(SCRIPT), run_name="start")


@pytest.mark.parametrize(
    ("version", "system", "says"),
    [
        ((3, 10, 13), "posix", "Python 3.10 is too old: 3.11 or newer is needed"),
        ((3, 9), "posix", "Python 3.9 is too old: 3.11 or newer is needed"),
        ((3, 12), "nt", "this runs on Linux and macOS (on Windows inside WSL)"),
        ((3, 11, 0), "posix", None),
        ((4, 0), "posix", None),
    ],
)
def test_a_python_that_will_not_do_is_told_so(
    start: dict[str, Any], version: tuple[int, ...], system: str, says: str | None
) -> None:
    assert start["unfit"](version, system) == says


def test_the_tests_come_last_so_that_their_line_closes_the_output(start: dict[str, Any]) -> None:
    assert [check[1] for check in start["CHECKS"]] == ["ruff", "ruff", "mypy", "lint-imports", "pytest"]


def test_a_check_says_the_same_of_the_same_code_however_busy_the_machine(start: dict[str, Any]) -> None:
    steady = settings.get_profile(start["CHECKS"][-1][-1].removeprefix("--hypothesis-profile="))
    assert steady.derandomize and steady.deadline is None
    assert settings().deadline is None and HealthCheck.too_slow in settings().suppress_health_check


def test_what_is_installed_depends_on_the_requirements_the_python_and_the_place(
    start: dict[str, Any], tmp_path: Path
) -> None:
    (tmp_path / "here").mkdir()
    (tmp_path / "there").mkdir()
    for folder in ("here", "there"):
        (tmp_path / folder / "pyproject.toml").write_text("one")
    first = start["fingerprint"](tmp_path / "here")
    assert start["fingerprint"](tmp_path / "here") == first
    assert start["fingerprint"](tmp_path / "there") != first
    (tmp_path / "here" / "pyproject.toml").write_text("two")
    assert start["fingerprint"](tmp_path / "here") != first


def test_the_test_installation_serves_the_service_but_not_the_other_way_round(start: dict[str, Any]) -> None:
    assert set(start["marks"]("test")) < set(start["marks"](""))


@pytest.mark.parametrize(("words", "code"), [([], 2), (["--help"], 0)])
def test_it_explains_itself(words: list[str], code: int) -> None:
    done = subprocess.run([sys.executable, str(SCRIPT), *words], stdout=subprocess.PIPE, text=True)
    assert done.returncode == code
    assert "python3 .ci/start ridgeline demo" in done.stdout


@pytest.mark.parametrize(("programs", "code"), [("true true", 0), ("false true", 1), ("true false", 1)])
def test_one_failed_check_fails_the_whole(start: dict[str, Any], programs: str, code: int) -> None:
    checks = [(f"check {number}", program) for number, program in enumerate(programs.split())]
    assert start["check"]([], checks, programs=Path("/usr/bin"), browsers=["sh"]) == code


def test_the_image_pins_everything_the_service_needs() -> None:
    root = SCRIPT.parents[1]
    asked = tomllib.loads((root / "pyproject.toml").read_text())["project"]["dependencies"]
    pinned = re.findall(r"^([a-z0-9-]+)==", (root / "docker" / "requirements.txt").read_text(), re.MULTILINE)
    names = {re.match(r"[A-Za-z0-9.-]+", each)[0].lower().replace(".", "-") for each in asked}  # type: ignore[index]
    assert names <= set(pinned)


def say_done(path: Path, words: str) -> None:
    path.write_text(f"#!/bin/sh\n{words}\n")
    path.chmod(0o755)


@pytest.mark.parametrize(
    ("machine", "may_install", "says", "found"),
    [
        ({"chromium": "exit 0"}, True, "looked at with", True),
        ({"apt-get": 'echo "$@" >> asked; ln -sf /bin/sh bin/chromium'}, True, "Debian's package", True),
        ({"apt-get": "exit 1", "playwright": "exit 0"}, True, "Playwright's Chromium", True),
        ({"apt-get": "exit 0", "playwright": "exit 0"}, True, "Playwright's Chromium", True),  # it brought none
        ({"apt-get": "exit 0", "playwright": "exit 0"}, False, "Playwright's Chromium", True),
        ({"playwright": "exit 1"}, True, "Playwright's Chromium", False),
    ],
)
def test_a_browser_is_found_or_fetched_and_it_is_said_which(
    start: dict[str, Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str],
    machine: dict[str, str], may_install: bool, says: str, found: bool,
) -> None:  # fmt: skip
    (tmp_path / "bin").mkdir()
    for name, words in machine.items():
        say_done(tmp_path / "bin" / name, words)
    (tmp_path / "bin" / "ln").symlink_to("/bin/ln")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PATH", str(tmp_path / "bin"))
    assert start["get_browser"](tmp_path / "bin", may_install=may_install) == found
    said = capfd.readouterr().err
    assert says in said.splitlines()[-1]
    assert ("Debian's package" in said) == (may_install and "apt-get" in machine)
    if "asked" in (path.name for path in tmp_path.iterdir()):
        assert "install --yes" in (tmp_path / "asked").read_text()
