"""The rules of the tree that no other tool checks. The layers are import-linter's (pyproject.toml)."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections.abc import Iterator
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
SERVICE = ROOT / "service"
MODULES = sorted(SERVICE.rglob("*.py"))
TREES = {path.relative_to(ROOT).as_posix(): ast.parse(path.read_text()) for path in MODULES}

TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "service", "mappings", "tests", "docker"}
MADE_BY_INSTALLING = {"ridgeline.egg-info", "build", "dist"}  # git ignores them

LONGEST_MODULE = 500
CLOCKS = {"now", "today", "utcnow", "time", "time_ns", "localtime", "gmtime", "fromtimestamp", "utcfromtimestamp"}
CLOCK_OWNERS = {"datetime", "date", "time"}
TAKES_AN_INSTANT = {"localtime", "gmtime", "fromtimestamp", "utcfromtimestamp"}  # with one, no clock is read
ENVIRONMENT = {"environ", "environb", "getenv", "getenvb", "putenv"}


def tracked() -> list[Path]:
    """Every file that is, or would be, part of the project."""
    listed = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard", "-z"],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        check=True,
    )
    paths = [ROOT / name.decode() for name in listed.stdout.split(b"\0") if name]
    return [path for path in paths if path.is_file()]


def dotted(node: ast.expr) -> str:
    """`a.b.c` of a name with attributes, "" of anything else."""
    if isinstance(node, ast.Attribute):
        before = dotted(node.value)
        return f"{before}.{node.attr}" if before else ""
    return node.id if isinstance(node, ast.Name) else ""


def imports(tree: ast.AST) -> Iterator[str]:
    """The full name of everything imported: `a.b` of `import a.b` and of `from a import b`."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "write the whole name"
            yield from (f"{node.module}.{name.name}" for name in node.names)


def clock_readings(tree: ast.AST) -> list[int]:
    """Lines that name a function that reads the clock, called or handed on: `datetime.now`, `time.time`, …"""
    called = {id(node.func): node for node in ast.walk(tree) if isinstance(node, ast.Call)}
    lines = []
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module == "time":
            lines += [node.lineno for name in node.names if name.name in CLOCKS]
        if not isinstance(node, ast.Attribute) or node.attr not in CLOCKS:
            continue
        if dotted(node.value).rpartition(".")[2] not in CLOCK_OWNERS:
            continue
        call = called.get(id(node))
        if node.attr in TAKES_AN_INSTANT and call is not None and call.args:
            continue
        lines.append(node.lineno)
    return lines


def environment_readings(tree: ast.AST) -> list[int]:
    """Lines that reach for the environment of the process."""
    attributes = [
        node.lineno for node in ast.walk(tree) if isinstance(node, ast.Attribute) and node.attr in ENVIRONMENT
    ]
    imported = [name for name in imports(tree) if name.rpartition(".")[2] in ENVIRONMENT]
    return attributes + [0 for _ in imported]


def public_without_docstring(tree: ast.Module) -> Iterator[str]:
    """Public modules, classes, functions and methods that nobody explained."""
    if ast.get_docstring(tree) is None:
        yield "the module"
    kinds = (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)
    for node in tree.body:
        if not isinstance(node, kinds) or node.name.startswith("_"):
            continue
        if ast.get_docstring(node) is None:
            yield node.name
        for member in node.body if isinstance(node, ast.ClassDef) else ():
            # A property or an override whose name and type say it all may go without.
            if not isinstance(member, kinds) or member.name.startswith("_") or is_property(member):
                continue
            if ast.get_docstring(member) is None:
                yield f"{node.name}.{member.name}"


def is_property(node: ast.stmt) -> bool:
    decorators = getattr(node, "decorator_list", [])
    return any(dotted(each).rpartition(".")[2] in ("property", "cached_property", "override") for each in decorators)


# --- the tree ---------------------------------------------------------------------------------------------------


def test_the_top_level_is_the_fixed_set() -> None:
    found = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    assert found - MADE_BY_INSTALLING == TOP_LEVEL


def test_no_name_says_nothing() -> None:
    empty_words = {"utils", "util", "helpers", "helper", "managers", "manager", "models", "schemas", "common", "misc"}
    assert [path for path in MODULES if path.stem in empty_words] == []


@pytest.mark.parametrize("path", TREES)
def test_a_module_can_be_read_in_one_sitting(path: str) -> None:
    assert len((ROOT / path).read_text().splitlines()) <= LONGEST_MODULE


@pytest.mark.parametrize("path", TREES)
def test_every_public_name_is_explained(path: str) -> None:
    assert list(public_without_docstring(TREES[path])) == []


@pytest.mark.parametrize("path", ["README.md", "DEVELOPERS.md", ".ci/run"])
def test_one_line_checks_everything_and_is_the_same_everywhere(path: str) -> None:
    assert "python3 .ci/start check\n" in (ROOT / path).read_text()


# --- imports ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", [path for path in TREES if path.startswith("service/core/")])
def test_the_core_imports_the_standard_library_only(path: str) -> None:
    extra = {"numpy"} if path == "service/core/cohort.py" else set()
    allowed = sys.stdlib_module_names | extra
    ours = ("service.core", "service.errors")
    foreign = [
        name for name in imports(TREES[path]) if name.partition(".")[0] not in allowed and not name.startswith(ours)
    ]
    assert foreign == []


def test_fhir_resources_are_r4_and_stay_at_the_edge() -> None:
    used = [
        (path, name)
        for path, tree in TREES.items()
        for name in imports(tree)
        if name.split(".")[0] in ("fhir", "fhir_core")
    ]
    assert used, "nothing is published?"
    assert [
        (path, name)
        for path, name in used
        if not path.startswith("service/fhir/") or not name.startswith(("fhir.resources.R4B.", "fhir_core."))
    ] == []


# --- clocks and environment -------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", [path for path in TREES if path != "service/app.py"])
def test_nobody_but_the_composition_root_reads_the_clock(path: str) -> None:
    assert clock_readings(TREES[path]) == []


@pytest.mark.parametrize(
    ("code", "reads"),
    [
        ("datetime.now(UTC)", True),
        ("datetime.datetime.now()", True),
        ("clock = datetime.now", True),
        ("date.today()", True),
        ("datetime.utcnow()", True),
        ("time.time()", True),
        ("time.localtime()", True),
        ("from time import time", True),
        ("time.monotonic()", False),
        ("datetime.fromtimestamp(seconds, UTC)", False),
        ("self.clock.now()", False),
        ("flow.today(site)", False),
    ],
)
def test_a_clock_reading_is_seen(code: str, reads: bool) -> None:
    assert bool(clock_readings(ast.parse(code))) is reads


@pytest.mark.parametrize("path", [path for path in TREES if path != "service/settings.py"])
def test_nobody_but_the_settings_reads_the_environment(path: str) -> None:
    assert environment_readings(TREES[path]) == []


@pytest.mark.parametrize("code", ["os.environ['A']", "os.getenv('A')", "from os import environ", "import os.environ"])
def test_a_reading_of_the_environment_is_seen(code: str) -> None:
    assert environment_readings(ast.parse(code))


# --- what must not be written down ------------------------------------------------------------------------------

# Put together here, so that this file holds none of them.
FOREIGN_PLACES = [
    *(
        "".join(parts)
        for parts in (("files.python", "hosted"), ("registry.npm", "js"), ("/home", "/"), ("/Use", "rs/"))
    ),
    *("".join(parts) for parts in (("py", "pi.org"), ("deb.deb", "ian.org"), ("/wo", "rk/"), ("/ro", "ot/"))),
]


def test_no_file_names_a_registry_or_a_place_on_somebodys_machine() -> None:
    named = []
    for path in tracked():
        text = path.read_bytes().decode(errors="replace")
        named += [(path.relative_to(ROOT).as_posix(), place) for place in FOREIGN_PLACES if place in text]
    assert named == []


# --- codes ------------------------------------------------------------------------------------------------------

LOINC = re.compile(r"(?<![\w.-])(\d{3,7}-\d)(?![\w-])")
SNOMED = re.compile(r"(?<![\w.-])(\d{6,18})(?![\w.-])")


def loinc_check_digit(number: str) -> int:
    """Mod 10 over the number before the hyphen: LOINC Users' Guide, "Calculating Mod 10 Check Digits".

    The digits at odd places from the right, read as one number, doubled; put before it the digits at even places;
    the sum of all its digits up to the next ten.
    """
    odd, even = number[::-1][::2][::-1], number[::-1][1::2][::-1]
    total = sum(int(digit) for digit in even + str(int(odd) * 2))
    return -total % 10


def multiply(left: int, right: int) -> int:
    """In the dihedral group of order 10: 0 to 4 are turns, 5 to 9 are a flip and a turn."""
    turn, other = left % 5, right % 5
    flips = (left >= 5) != (right >= 5)
    return (turn - other if left >= 5 else turn + other) % 5 + (5 if flips else 0)


def permute(digit: int, times: int) -> int:
    for _ in range(times % 8):
        digit = (1, 5, 7, 6, 2, 8, 3, 0, 9, 4)[digit]
    return digit


def verhoeff_holds(number: str) -> bool:
    """The check of a whole identifier: SNOMED CT Release File Specifications, 6.4.2 "Check-digit Computation"."""
    check = 0
    for place, digit in enumerate(reversed(number)):
        check = multiply(check, permute(int(digit), place))
    return check == 0


def code_files() -> list[Path]:
    """The files that may hold codes: the service's own text and the mappings."""
    kinds = {".py", ".toml", ".json", ".html"}
    return [path for folder in (SERVICE, ROOT / "mappings") for path in folder.rglob("*") if path.suffix in kinds]


def test_the_loinc_check_digit() -> None:
    # The guide's own example, and two of the codes it lists as issued with a wrong digit.
    assert loinc_check_digit("12345") == 5
    assert loinc_check_digit("11491") != 6
    assert loinc_check_digit("6649") != 9
    assert loinc_check_digit("8339") == 4  # birth weight, as in HL7 BFDR 2.0.0


def test_the_snomed_check_digit() -> None:
    # Rows of the specification's tables 6.4.2-1 and 6.4.2-2, which are not used above.
    assert [multiply(5, right) for right in range(10)] == [5, 9, 8, 7, 6, 0, 4, 3, 2, 1]
    assert [multiply(3, right) for right in range(10)] == [3, 4, 0, 1, 2, 8, 9, 5, 6, 7]
    assert [permute(digit, 2) for digit in range(10)] == [5, 8, 0, 3, 7, 9, 6, 1, 4, 2]
    assert [permute(digit, 7) for digit in range(10)] == [7, 0, 4, 6, 9, 1, 3, 2, 5, 8]
    assert verhoeff_holds("364589006")  # birth weight, as in KBV MIO U-Heft 1.0
    assert not verhoeff_holds("364589060")
    assert not verhoeff_holds("364589007")


def test_every_code_in_the_service_and_the_mappings_has_a_right_check_digit() -> None:
    seen: list[tuple[str, str, bool]] = []
    for path in code_files():
        text = path.read_text()
        for code in LOINC.findall(text):
            number, _, digit = code.partition("-")
            seen.append((path.name, code, loinc_check_digit(number) == int(digit)))
        if "snomed" in text.lower():
            seen += [(path.name, code, verhoeff_holds(code)) for code in SNOMED.findall(text)]
    assert [(name, code) for name, code, right in seen if not right] == []
    assert seen, "no code was found: the patterns are wrong"


def test_what_the_service_imports_is_installed_with_it() -> None:
    """The tests' own packages bring more than the service asks for: what only they bring is missing in an installation
    without them. The image's list is resolved from what the service asks for, and from nothing else."""
    listed = (ROOT / "docker" / "requirements.txt").read_text()
    installed = {
        name.replace("_", "-") for name in re.findall(r"^([a-z0-9._-]+)(?:\[[a-z,]+\])?==", listed, re.MULTILINE)
    }
    whose = packages_distributions()
    for name, tree in TREES.items():
        for node in ast.walk(tree):
            match node:
                case ast.Import():
                    modules = [each.name for each in node.names]
                case ast.ImportFrom(module=str() as module):
                    modules = [module]
                case _:
                    continue
            for top in {each.partition(".")[0] for each in modules} - sys.stdlib_module_names - {"service"}:
                names = {re.sub(r"[._]", "-", each).lower() for each in whose.get(top, ())}
                assert names & installed, f"{name} imports {top}, which pyproject.toml does not ask for"
