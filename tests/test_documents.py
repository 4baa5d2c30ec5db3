"""What DEVELOPERS.md and README.md say of the code is true. Run as a program it writes the generated part."""

from __future__ import annotations

import ast
import re
from pathlib import Path

from service.__main__ import _parser
from service.core.worklist import rank
from service.policies import load_policies

ROOT = Path(__file__).resolve().parents[1]
DEVELOPERS = ROOT / "DEVELOPERS.md"
BEGIN, END = "<!-- generated: modules -->\n", "<!-- end -->\n"


def modules() -> str:
    """Every module of the service with the first sentence of its docstring, as DEVELOPERS.md lists them."""
    lines = ["```"]
    for path in sorted(
        (ROOT / "service").rglob("*.py"), key=lambda p: (p.parent.parts, p.name != "__init__.py", p.name)
    ):
        name = path.relative_to(ROOT).as_posix()
        if "migrations" in name:
            continue
        text = " ".join((ast.get_docstring(ast.parse(path.read_text())) or "").split("\n\n")[0].split())
        lines.append(f"{name:34} {re.split(r'(?<=[.]) ', text)[0]}".rstrip())
    return "\n".join([*lines, "```", ""])


def test_the_list_of_modules_is_true() -> None:
    told = DEVELOPERS.read_text().split(BEGIN)[1].split(END)[0]
    assert told == modules(), "run: .venv/bin/python tests/test_documents.py"


def test_paths_named_exist() -> None:
    for document in (DEVELOPERS, ROOT / "README.md"):
        for name in re.findall(r"`((?:service|mappings|tests|docker|\.ci)/[\w./-]+)`", document.read_text()):
            assert (ROOT / name).exists(), f"{document.name} names {name}"


def test_every_command_is_in_the_readme() -> None:
    text = (ROOT / "README.md").read_text()
    commands = next(action.choices for action in _parser()._actions if action.metavar == "COMMAND") or {}
    assert set(commands) <= set(re.findall(r"[a-z]+", text))
    assert {"demo", "serve", "assess", "worklist"} <= set(commands)


def test_every_edition_is_named() -> None:
    text = DEVELOPERS.read_text()
    for edition in load_policies():
        assert f"`{edition}`" in text


def test_the_order_of_the_list_is_the_specification() -> None:
    assert "1. late before not late" in (rank.__doc__ or "")


if __name__ == "__main__":
    before, _, rest = DEVELOPERS.read_text().partition(BEGIN)
    DEVELOPERS.write_text(before + BEGIN + modules() + END + rest.partition(END)[2])
