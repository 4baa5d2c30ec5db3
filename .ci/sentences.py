"""The sentences that the core, the readers of FHIR and the policy files make, collected from their source as patterns.

`f"{shown} is {'within' if held else 'above'} {limit}"` is two patterns, `{shown} is within {limit}` and `{shown} is
above {limit}`: a choice, and a local name that is given a text once, are written out, so that each sentence can be
translated as a whole. What else stands in braces is a place, named after what it shows.
"""

from __future__ import annotations

import ast
import re
import tomllib
from collections.abc import Iterator, Mapping
from itertools import product
from pathlib import Path

SERVICE = Path(__file__).resolve().parent.parent / "service"
CONTEXT = "core"
SAY = (
    "core/course.py", "core/decision.py", "core/demands.py", "core/findings.py", "core/growth.py", "core/history.py",
    "core/intervals.py", "core/leaving.py", "core/policy.py", "core/stopping.py", "fhir/answers.py", "fhir/element.py",
    "fhir/findings.py", "fhir/instants.py", "fhir/observations.py", "fhir/patients.py", "fhir/procedures.py",
    "fhir/quantities.py", "fhir/read.py", "fhir/references.py", "fhir/stays.py", "fhir/values.py",
)  # fmt: skip
"""Modules every sentence of which reaches people, but for those that refuse a file of settings."""
RAISE = (
    "core/ages.py", "core/policy.py", "fhir/terms.py", "flow.py", "mending.py", "recall.py", "web/entry.py",
    "web/language.py", "web/pages.py",
)  # fmt: skip
"""Modules that say something to people in the errors they raise."""
ERRORS = ("Forbidden", "NotFound", "NotUnderstood", "SiteUnavailable", "Unreadable")
SETTINGS = ("ConfigurationError",)
SHOWN = ("title", "look_for", "weigh", "words", "note")
"""Keys of a policy file whose texts are shown; so is what a risk flag means."""
WORDS = {
    "core/findings.py": ("right", "left", "laser", "injection", "surgery", "zone", "stage", "plus", "pre-plus"),
    "core/infant.py": (
        "invasive ventilation",
        "non-invasive ventilation",
        "CPAP",
        "high flow",
        "low-flow oxygen",
        "no support",
    ),
    "core/policy.py": ("later", "earlier"),
    "flow.py": ("your role looks and enters nothing; ask somebody of the unit or the ophthalmologist",),
}
"""Single words that take places of sentences, from tables of words that are also written in files; and a sentence that
several modules raise."""
UNITS = ("clock hours", "clock hour", "{clock hours}", "disc diameters", "disc diameter", "{disc diameters}")
"""Units as they come in."""
_WORD = "a word"
_LONGEST = 32
_SENTENCE = re.compile(r"[A-Za-z]{3,}[^ ]* |[ }][A-Za-z]{3,}")
_NOT_SAID = re.compile(r"\\|\(\?|\d{4};|^https?:|[a-z]/\{")  # a pattern, a citation, an address


def sentences() -> Iterator[tuple[str, str]]:
    """(file below `service`, pattern) of every sentence."""
    for names, raised in ((SAY, False), (RAISE, True)):
        for name in names:
            for path in sorted(SERVICE.glob(name)):
                file = path.relative_to(SERVICE).as_posix()
                for text in _Module(ast.parse(path.read_text("utf-8")), raised, file == "core/findings.py").patterns():
                    yield file, text
    for file, words in WORDS.items():
        source = (SERVICE / file).read_text("utf-8")
        yield from ((file, word) for word in words if f'"{word}"' in source)
    for path in sorted((SERVICE / "policies").rglob("*.toml")):
        for text in _shown(tomllib.loads(path.read_text("utf-8"))):
            yield path.relative_to(SERVICE).as_posix(), text


def _shown(data: object, key: str = "") -> Iterator[str]:
    if isinstance(data, Mapping):
        for name, value in data.items():
            if name != "example":
                yield from _shown(value, "title" if key == "risk_flags" else name)
    elif isinstance(data, list):
        for value in data:
            yield from _shown(value, key)
    elif isinstance(data, str) and key in SHOWN:
        yield data


class _Module:
    """One module: which of its texts are sentences, and what they look like."""

    def __init__(self, tree: ast.Module, raised: bool, strict_too: bool) -> None:
        self._tree, self._raised, self._strict_too = tree, raised, strict_too
        self._local: dict[str, ast.expr] = {}
        self._inlined: set[str] = set()
        self._used: set[str] = set()

    def patterns(self) -> list[str]:
        found: dict[str, None] = {}
        for scope in [self._tree, *(each for each in ast.walk(self._tree) if isinstance(each, ast.FunctionDef))]:
            self._local = dict(_texts_given(scope))
            self._inlined, self._used = set(), set(_used_alone(scope))
            roots = [(node, said) for node, said in self._roots(scope)]
            written = [(said, self._write(node)) for node, said in roots]
            for said, texts in written:
                if said not in self._inlined or said in self._used:
                    found |= dict.fromkeys(text for text in texts if _is_said(text, alone=said == _WORD))
        return list(found)

    def _roots(self, scope: ast.AST) -> Iterator[tuple[ast.expr, str]]:
        """The outermost texts of a scope, with the local name they are given, or ""."""
        body = list(ast.iter_child_nodes(scope))
        pending: list[tuple[ast.AST, str, bool]] = [(each, "", False) for each in body]
        while pending:
            node, name, told = pending.pop(0)
            if isinstance(node, ast.FunctionDef) or (
                isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
            ):
                continue
            if isinstance(node, ast.ClassDef):
                pending = [(each, "", False) for each in ast.iter_child_nodes(node)] + pending
                continue
            if isinstance(node, ast.Call):
                called = ast.unparse(node.func).rpartition(".")[2]
                if called in ("N_", "_", "ngettext_") or ast.unparse(node.func).startswith("_log"):
                    continue
                if called in SETTINGS:
                    if not self._strict_too:
                        continue
                    pending = [(each, "", True) for each in node.args[1:2]] + pending
                    continue
                told = told or called in ERRORS
                if called == "append" and len(node.args) == 1 and not self._raised:
                    yield from ((each, _WORD) for each in _words(node.args[0]))
            if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
                name = node.targets[0].id
            if isinstance(node, ast.expr) and _is_text(node) and not isinstance(node, ast.Name):
                if told or not self._raised:
                    yield node, name
                continue
            pending = [(each, name, told) for each in ast.iter_child_nodes(node)] + pending

    def _write(self, node: ast.expr) -> list[str]:
        texts = []
        for parts in self._parts(node, 0)[:_LONGEST]:
            count: dict[str, int] = {}
            text = ""
            for part in parts:
                if isinstance(part, str):
                    text += part
                else:
                    name = _name(part)
                    count[name] = count.get(name, 0) + 1
                    text += f"{{{name}{count[name] if count[name] > 1 else ''}}}"
            texts.append(f"{text}{{rest}}" if text.endswith(", ") else text)
        return texts

    def _parts(self, node: ast.expr, depth: int) -> list[list[str | ast.expr]]:
        """Every way the text can be put together, each a list of words and of places."""
        match node:
            case ast.Constant(value=str(value)):
                return [[value]]
            case ast.JoinedStr(values=values):
                ways: list[list[str | ast.expr]] = [[]]
                for each in values:
                    ways = [[*way, *more] for way, more in product(ways, self._parts(each, depth))]
                return ways
            case ast.FormattedValue(value=value, conversion=conversion):
                if conversion == ord("r"):
                    return [[ast.Name("quoted")]]
                return self._parts(value, depth) if _is_text(value) or _is_local(value, self._local) else [[value]]
            case ast.IfExp(body=body, orelse=orelse):
                return [*self._parts(body, depth), *self._parts(orelse, depth)]
            case ast.BinOp(left=left, op=ast.Add(), right=right):
                return [[*a, *b] for a, b in product(self._parts(left, depth), self._parts(right, depth))]
            case ast.BoolOp(op=ast.Or(), values=[first, ast.Constant(value=str(value))]):
                return [[first], [value]]
            case ast.Name(id=id) if id in self._local and depth < 3:
                self._inlined.add(id)
                return self._parts(self._local[id], depth + 1)
        return [[node]]


def _texts_given(scope: ast.AST) -> Iterator[tuple[str, ast.expr]]:
    """Local names that are given a text, once."""
    if not isinstance(scope, ast.FunctionDef):
        return
    given: dict[str, list[ast.expr]] = {arg.arg: [ast.Constant(0)] for arg in scope.args.args}
    for node in ast.walk(scope):
        if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
            given.setdefault(node.targets[0].id, []).append(node.value)
        elif isinstance(node, ast.AugAssign) and isinstance(node.target, ast.Name):
            given.setdefault(node.target.id, []).append(node.value)
        elif isinstance(node, ast.Tuple) and isinstance(node.ctx, ast.Store):
            given |= {each.id: [ast.Constant(0)] * 2 for each in node.elts if isinstance(each, ast.Name)}
    for name, values in given.items():
        if len(values) == 1 and _is_text(values[0]):
            yield name, values[0]


def _used_alone(scope: ast.AST) -> Iterator[str]:
    """Local names that are given back or handed on as they are."""
    for node in ast.walk(scope):
        if isinstance(node, ast.Return) and isinstance(node.value, ast.Name):
            yield node.value.id
        if isinstance(node, ast.Call):
            yield from (each.id for each in node.args if isinstance(each, ast.Name))


def _is_local(node: ast.expr, local: Mapping[str, ast.expr]) -> bool:
    return isinstance(node, ast.Name) and node.id in local


def _is_text(node: ast.expr) -> bool:
    match node:
        case ast.Constant(value=value):
            return isinstance(value, str)
        case ast.JoinedStr():
            return True
        case ast.IfExp(body=body, orelse=orelse):
            return _is_text(body) and (_is_text(orelse))
        case ast.BinOp(left=left, op=ast.Add(), right=right):
            return _is_text(left) or _is_text(right)
        case ast.BoolOp(op=ast.Or(), values=[_, ast.Constant(value=str())]):
            return True
    return False


def _words(node: ast.expr) -> Iterator[ast.expr]:
    """Single words that are appended to others."""
    branches = [node.body, node.orelse] if isinstance(node, ast.IfExp) else [node]
    yield from (each for each in branches if isinstance(each, ast.Constant) and isinstance(each.value, str))


def _is_said(text: str, alone: bool) -> bool:
    if _NOT_SAID.search(text) or text in UNITS:
        return False
    bare = re.sub(r"\{\w+\}", "{}", text)
    return bool(" " in bare.strip() and _SENTENCE.search(bare)) or (alone and text.isalpha())


def _name(node: ast.expr) -> str:
    """What a place is called: after what it shows."""
    match node:
        case ast.Call(func=ast.Attribute(attr="isoformat")):
            return "date"
        case ast.Call(func=ast.Name(id="format_age")):
            return "age"
        case ast.Call(func=ast.Name(id="quote")):
            return "quoted"
        case ast.Call(func=ast.Name(id="clean")):
            return "said"
        case ast.Call(func=ast.Attribute(attr="join"), args=[inner]):
            return "words" if not isinstance(inner, ast.Name) else _name(inner)
        case ast.Call(func=ast.Attribute(value=value, attr="strip" | "get" | "rpartition" | "partition")):
            return _name(value)
        case ast.Call(func=ast.Name(id="str" | "abs" | "int" | "shown" | "repr"), args=[inner]):
            return _name(inner)
        case ast.Call(func=ast.Name() as func, args=args):
            return _name(args[0] if args else func)
        case ast.Call(func=func):
            return _name(func)
        case ast.Attribute(attr=attr):
            return attr.strip("_").lower()
        case ast.Name(id=id):
            return id.strip("_").lower()
        case ast.Subscript(value=value):
            return _name(value)
        case ast.BinOp(left=left):
            return _name(left)
    return "it"
