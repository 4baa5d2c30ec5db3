"""Would the tests notice? `HYPOTHESIS=brief .venv/bin/python tests/benchmarks/mutation.py --sample 40`. Not a test.

Changes one thing in one module of `service/core`, runs the tests that come by that line, the quickest first, until one
fails, and again for the next change. The changes are mutmut's (`mutmut.mutation.mutators`), of a string only the first
of its three. mutmut's own way of running is not used: it builds every change of a file into one copy of it, which
leaves out decorated functions (half of core's questions are properties) and everything at the top of a module (its
numbers), and cannot reach what runs while a module is imported (the reading of editions). Here each change gets a
process of its own, which imports the changed module and the tests anew; the packages beneath are imported once.

Tests of other files than the module's own run for 15 seconds at most, which can only let more changes survive.
Of each module a seeded sample is drawn, so that a longer run contains a shorter one. `--work` keeps what was found:
the same command goes on where it stopped, and `--survivors` prints what no test noticed. A change whose tests use more
than ten times the processor time they use without it (and a minute) counts as noticed, and is listed as timed out.
"""

from __future__ import annotations

import argparse
import hashlib
import importlib.abc
import importlib.util
import io
import json
import math
import os
import random
import resource
import signal
import sys
import tempfile
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from difflib import unified_diff
from itertools import accumulate
from pathlib import Path
from typing import Any

import coverage
import libcst as cst
import pytest
from libcst.metadata import MetadataWrapper, PositionProvider
from mutmut.mutation.mutators import mutation_operators

ROOT = Path(__file__).parents[2]
CORE = ROOT / "service" / "core"
TESTS = ["tests/core", "tests/test_policies.py"]
OWN = {"care": "intervals", "demands": "course", "stopping": "course", "variation": "variations"}
"""Modules tested in another's file."""
QUIET = ["-q", "-p", "no:cacheprovider", "--tb=no"]
LEFT_OUT = (cst.Annotation, cst.Decorator, cst.Import, cst.ImportFrom)
"""Without meaning while the program runs, or an error before it does."""


@dataclass(frozen=True)
class Change:
    """One changed place: the module's text with it, the line it is on, and whether only words for people changed."""

    module: str
    line: int
    text: str
    words: bool

    @property
    def name(self) -> str:
        """The same for the same change of the same text."""
        return f"{self.module}:{self.line}:{hashlib.sha256(self.text.encode()).hexdigest()[:12]}"

    def __str__(self) -> str:
        before = (CORE / f"{self.module}.py").read_text().splitlines()
        lines = list(unified_diff(before, self.text.splitlines(), n=0, lineterm=""))[3:]
        return "\n".join(f"    {each[0]} {each[1:].strip()}" for each in lines)


class Places(cst.CSTVisitor):
    """Every change that may be made in a module."""

    METADATA_DEPENDENCIES = (PositionProvider,)

    def __init__(self) -> None:
        super().__init__()
        self.found: list[tuple[int, cst.CSTNode, cst.CSTNode]] = []

    def on_visit(self, node: cst.CSTNode) -> bool:
        if isinstance(node, LEFT_OUT) or _names_types(node):
            return False
        for kind, operator in mutation_operators:
            if isinstance(node, kind):
                for changed in list(operator(node))[: 1 if kind is cst.BaseString else None]:
                    line = self.get_metadata(PositionProvider, node).start.line
                    self.found.append((line, node, changed))
        return True


def _names_types(node: cst.CSTNode) -> bool:
    """`Literal["a", "b"]` as an alias of a type, and `TypeVar("T")`."""
    if isinstance(node, cst.Assign | cst.AnnAssign) and isinstance(node.value, cst.Subscript | cst.Call):
        named = node.value.value if isinstance(node.value, cst.Subscript) else node.value.func
        return isinstance(named, cst.Name) and named.value in ("Literal", "TypeVar")
    return False


def changes(module: str, most: int, seed: str) -> tuple[int, list[Change]]:
    """How many changes a module could have, and a sample of those that compile; a larger one begins like a smaller."""
    wrapper = MetadataWrapper(cst.parse_module((CORE / f"{module}.py").read_text()))
    places = Places()
    wrapper.visit(places)
    found: dict[str, Change] = {}
    for line, node, changed in random.Random(f"{seed} {module}").sample(places.found, len(places.found)):
        if len(found) == most:
            break
        text = wrapper.module.deep_replace(node, changed).code  # type: ignore[attr-defined]
        try:
            compile(text, module, "exec")
        except SyntaxError:
            continue
        words = isinstance(node, cst.SimpleString) and " " in node.value
        found.setdefault(text, Change(module, line, text, words))
    return len(places.found), list(found.values())


# --- running ---------------------------------------------------------------------------------------------------------


class Chosen:
    """A pytest plugin: of what was collected, these tests in this order."""

    def __init__(self, order: Iterable[str]) -> None:
        self.place = {name: n for n, name in enumerate(order)}

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        items[:] = sorted((each for each in items if each.nodeid in self.place), key=lambda e: self.place[e.nodeid])


class Watched:
    """A pytest plugin: which test came by which line of core, how long it took, which failed without any change."""

    def __init__(self, measured: coverage.Coverage) -> None:
        self.measured = measured
        self.seconds: dict[str, float] = defaultdict(float)
        self.failed: set[str] = set()

    def pytest_runtest_logstart(self, nodeid: str) -> None:
        self.measured.switch_context(nodeid)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self.seconds[report.nodeid] += report.duration
        if report.failed:
            self.failed.add(report.nodeid)


def watch() -> dict[str, Any]:
    """The tests without any change: seconds of each, and for each module and line the tests that came by
    ("": what was imported before the first of them)."""
    measured = coverage.Coverage(data_file=None, include=[str(CORE / "*.py")])
    watched = Watched(measured)
    measured.start()
    pytest.main([*QUIET, *TESTS], plugins=[watched])
    measured.stop()
    data = measured.get_data()
    lines = {Path(file).stem: data.contexts_by_lineno(file) for file in data.measured_files()}
    return {"seconds": watched.seconds, "failed": sorted(watched.failed), "lines": lines}


def tests_of(change: Change, seen: dict[str, Any], seconds: float) -> list[str]:
    """The tests to run: those that come by the line; any, where it runs while modules are imported (editions are read
    then). First those of the module's own file, then the quickest of the others, as many as take these seconds."""
    took, near = seen["seconds"], seen["lines"].get(change.module, {}).get(str(change.line), [""])
    if "" in near:
        near = list(took)
    passing = sorted(set(near) - set(seen["failed"]), key=lambda name: (took[name], name))
    own = [name for name in passing if name.startswith(_own(change))]
    others = [name for name in passing if not name.startswith(_own(change))]
    sums = accumulate(took[name] for name in others)
    return own + [name for name, so_far in zip(others, sums, strict=True) if so_far <= seconds]


def _own(change: Change) -> str:
    return f"tests/core/test_{OWN.get(change.module, change.module)}.py::"


class Changed(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Imports one module of core from a changed text."""

    def __init__(self, change: Change) -> None:
        self.change = change
        self.file = str(CORE / f"{change.module}.py")

    def find_spec(self, name: str, path: Any = None, target: Any = None) -> Any:
        if name == f"service.core.{self.change.module}":
            return importlib.util.spec_from_file_location(name, self.file, loader=self)
        return None

    def create_module(self, spec: Any) -> None:
        return None

    def exec_module(self, module: Any) -> None:
        exec(compile(self.change.text, self.file, "exec"), module.__dict__)


def notice(change: Change, tests: list[str]) -> int:
    """In a process of its own: whether a test fails. The module's own file before others are even collected."""
    sys.meta_path.insert(0, Changed(change))
    for batch in (
        [name for name in tests if name.startswith(_own(change))],
        [name for name in tests if not name.startswith(_own(change))],
    ):
        files = sorted({name.partition("::")[0] for name in batch})
        if files and pytest.main([*QUIET, "-x", *files], plugins=[Chosen(batch)]) not in (0, 5):
            return 1
    return 0


def forked(work: Any, *arguments: Any, seconds: int = 0) -> tuple[int, Path]:
    """What the work returned in a process of its own (256: out of processor time), and the file of what it printed."""
    handle, name = tempfile.mkstemp()
    if (child := os.fork()) == 0:
        try:
            os.dup2(handle, 1)
            os.dup2(handle, 2)
            if seconds:
                resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds + 5))
            code = work(*arguments)
        except BaseException:  # an import that failed inside pytest's own start is noticed as well
            code = 1
        finally:
            os._exit(code)
    _, status = os.waitpid(child, 0)
    os.close(handle)
    stopped = os.WIFSIGNALED(status) and os.WTERMSIG(status) in (signal.SIGXCPU, signal.SIGKILL)
    return 256 if stopped else os.waitstatus_to_exitcode(status), Path(name)


def warm_up() -> None:
    """Import what lies beneath the project once; forget the project itself, so that every process imports it anew."""
    with redirect_stdout(io.StringIO()), redirect_stderr(io.StringIO()):
        pytest.main([*QUIET, "--collect-only", *TESTS])
    for name, module in list(sys.modules.items()):
        file = getattr(module, "__file__", None) or ""
        ours = name.partition(".")[0] in ("service", "core", "conftest") or file.startswith(str(ROOT / "tests"))
        if ours and name != "__main__":
            del sys.modules[name]


# --- telling ---------------------------------------------------------------------------------------------------------


def interval(noticed: float, of: int) -> tuple[float, float]:
    """Wilson's 95 % interval of a share (E. B. Wilson, J Am Stat Assoc 1927;22:209)."""
    z, p = 1.96, noticed / of
    middle, half = p + z * z / 2 / of, z * math.sqrt(p * (1 - p) / of + z * z / 4 / of / of)
    return (middle - half) / (1 + z * z / of), (middle + half) / (1 + z * z / of)


def rows(found: Mapping[Change, str], possible: Mapping[str, int]) -> Iterator[str]:
    """A line for each module, one for all, and one for all without the words for people."""
    yield f"{'module':18} {'possible':>8} {'tried':>6} {'killed':>6} {'timed out':>9} {'survived':>8}  share"
    for module in possible:
        count = Counter(what for change, what in found.items() if change.module == module)
        low, high = interval(count.total() - count["survived"], count.total())
        yield _row(module, possible[module], count) + f" ({low:.0%} to {high:.0%})"
    without = {change: what for change, what in found.items() if not change.words}
    for name, counted in (("all", found), ("all but words", without)):
        share, half = _overall(counted, possible)
        yield _row(name, sum(possible.values()), Counter(counted.values())) + f"; weighed {share:.1%} ± {half:.1%}"


def _row(name: str, possible: int, count: Counter[str]) -> str:
    share = 1 - count["survived"] / count.total()
    return (f"{name:18} {possible:8} {count.total():6} {count['killed']:6} {count['timed out']:9} "
            f"{count['survived']:8}  {share:.0%}")  # fmt: skip


def _overall(found: Mapping[Change, str], possible: Mapping[str, int]) -> tuple[float, float]:
    """The modules' shares, weighed by how many changes each could have, and half of the 95 % interval."""
    share = variance = 0.0
    for module, most in possible.items():
        noticed = [what != "survived" for change, what in found.items() if change.module == module]
        if noticed:
            weight, p = most / sum(possible.values()), sum(noticed) / len(noticed)
            share += weight * p
            variance += weight * weight * p * (1 - p) / len(noticed)
    return share, 1.96 * math.sqrt(variance)


def main() -> None:
    parser = argparse.ArgumentParser(description="Mutation testing of service/core.")
    parser.add_argument("modules", nargs="*", help="names of modules; none means all")
    parser.add_argument("--sample", type=int, default=40, help="changes per module")
    parser.add_argument("--seconds", type=float, default=15, help="for the tests of other files, per change")
    parser.add_argument("--seed", default="ridgeline")
    parser.add_argument("--work", type=Path, default=Path(tempfile.gettempdir()) / "ridgeline-mutation")
    parser.add_argument("--survivors", action="store_true", help="print what no test noticed, and stop")
    asked = parser.parse_args()
    if os.environ.get("HYPOTHESIS") != "brief":
        sys.exit("set HYPOTHESIS=brief: tests draw few examples then, the same in every run")
    os.chdir(ROOT)
    sys.path[:0] = [str(ROOT)]
    asked.work.mkdir(exist_ok=True)
    modules = asked.modules or sorted(path.stem for path in CORE.glob("[!_]*.py"))
    possible: dict[str, int] = {}
    drawn: list[Change] = []
    for module in modules:
        possible[module], some = changes(module, asked.sample, asked.seed)
        drawn += some
    kept = asked.work / "found.json"
    results: dict[str, str] = json.loads(kept.read_text()) if kept.exists() else {}
    if asked.survivors:
        for change in drawn:
            if results.get(change.name) == "survived":
                print(f"{change.name}\n{change}")
        return
    warm_up()
    before = asked.work / "seen.json"
    if not before.exists():
        _, printed = forked(lambda: before.write_text(json.dumps(watch())) and 0)
        printed.rename(asked.work / "seen.log")
    seen = json.loads(before.read_text())
    print(f"{len(seen['seconds'])} tests in {sum(seen['seconds'].values()):.0f} s, {len(seen['failed'])} left out: "
          "they fail without any change", flush=True)  # fmt: skip
    for change in drawn:
        if change.name not in results:
            tests = tests_of(change, seen, asked.seconds)
            limit = 60 + math.ceil(10 * sum(seen["seconds"][name] for name in tests))
            code, printed = forked(notice, change, tests, seconds=limit)
            printed.unlink()
            results[change.name] = {0: "survived", 256: "timed out"}.get(code, "killed")
            kept.write_text(json.dumps(results, indent=1))
    print("\n".join(rows({change: results[change.name] for change in drawn}, possible)))


if __name__ == "__main__":
    main()
