"""Sentences that the program can make, taken from its source: every message, evidence, doubt and advice, in all its variants.

An expression of text is followed through additions, choices, f-strings, joins and names of the same function; what is only known when the
program runs stands as a figure.
"""

from __future__ import annotations

import ast
import itertools
import re
from pathlib import Path

PACKAGE = Path(__file__).resolve().parents[2] / "cycler"
FIGURE = "7"
MOST = 64
# Constructors that take sentences: their name, which arguments by place, and by keyword.
MAKERS = {
    "Finding": ((2, 3), ("message", "evidence")), "ReadingWarning": ((1,), ("message",)), "Taken": ((), ("doubt",)), "_Doubt": ((1,), ("message",)),
}


class _Scope:
    """Names of one function and of its module, each with the expressions given to it."""

    def __init__(self, module: ast.Module, function: ast.AST | None) -> None:
        self.names: dict[str, list[ast.expr]] = {}
        self.calls: dict[str, list[ast.expr]] = {}
        for part in [*module.body, *(ast.walk(function) if function is not None else ())]:
            if isinstance(part, ast.Assign):
                for target in part.targets:
                    self._bind(target, part.value)
            elif isinstance(part, ast.AugAssign):
                self._bind(part.target, part.value)
        for part in module.body:
            if isinstance(part, ast.FunctionDef):
                self.calls[part.name] = [node.value for node in ast.walk(part) if isinstance(node, ast.Return) and node.value is not None]

    def _bind(self, target: ast.expr, value: ast.expr) -> None:
        if isinstance(target, ast.Name):
            self.names.setdefault(target.id, []).append(value)
        elif isinstance(target, ast.Tuple) and isinstance(value, ast.Tuple):
            for one, other in zip(target.elts, value.elts):
                self._bind(one, other)


def variants(node: ast.expr | None, scope: _Scope, depth: int = 0) -> list[str]:
    """Texts that an expression can give."""
    if node is None or depth > 6:
        return [FIGURE]
    if isinstance(node, ast.Constant):
        return [node.value] if isinstance(node.value, str) else [FIGURE]
    if isinstance(node, ast.JoinedStr):
        return _crossed([_part(part, scope, depth) for part in node.values])
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
        return _crossed([variants(node.left, scope, depth + 1), variants(node.right, scope, depth + 1)])
    if isinstance(node, ast.IfExp):
        return [*variants(node.body, scope, depth + 1), *variants(node.orelse, scope, depth + 1)]
    if isinstance(node, ast.BoolOp):
        return list(dict.fromkeys(found for value in node.values for found in variants(value, scope, depth + 1)))
    if isinstance(node, ast.Name) and node.id in scope.names:
        return list(dict.fromkeys(found for value in scope.names[node.id] for found in variants(value, scope, depth + 1) if isinstance(value, _TEXTS)))[:MOST] or [FIGURE]
    if isinstance(node, ast.Subscript) and isinstance(node.value, ast.Name) and node.value.id in scope.names:
        return list(dict.fromkeys(
            found for table in scope.names[node.value.id] if isinstance(table, ast.Dict) for value in table.values for found in variants(value, scope, depth + 1)
        )) or [FIGURE]
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in scope.calls:
        return list(dict.fromkeys(found for value in scope.calls[node.func.id] for found in variants(value, scope, depth + 1)))[:MOST] or [FIGURE]
    return [FIGURE]


_TOUCHING = re.compile(
    rf"[a-z.]{FIGURE}|{FIGURE}[a-z]|{FIGURE}{{3}}|[:;] {FIGURE}{FIGURE}?\.?$|\({FIGURE}\)\.?$|^; |{FIGURE} {FIGURE} {FIGURE} (?:hold|cannot)|(?:span|be) (?:[:;]|{FIGURE} {FIGURE};)"
)
_TEXTS = (ast.Constant, ast.JoinedStr, ast.BinOp, ast.IfExp, ast.Name, ast.Call, ast.Subscript)


def _part(part: ast.expr, scope: _Scope, depth: int) -> list[str]:
    if isinstance(part, ast.FormattedValue):
        return [FIGURE] if part.format_spec is not None else variants(part.value, scope, depth + 1)
    return variants(part, scope, depth + 1)


def _crossed(parts: list[list[str]]) -> list[str]:
    return ["".join(chosen) for chosen in itertools.islice(itertools.product(*parts), MOST)]


def sentences_of(path: Path) -> list[str]:
    """Every sentence that the constructors in one file are given."""
    source = path.read_text(encoding="utf-8")
    if not any(f"{maker}(" in source for maker in MAKERS):
        return []
    module = ast.parse(source)
    found: list[str] = []
    for function in (node for node in ast.walk(module) if isinstance(node, ast.FunctionDef)):
        calls = [(node, _name_of(node)) for node in ast.walk(function) if isinstance(node, ast.Call) and _name_of(node) in MAKERS]
        scope = _Scope(module, function) if calls else None
        for node, name in calls:
            places, keywords = MAKERS[name]
            given = [node.args[k] for k in places if k < len(node.args)] + [word.value for word in node.keywords if word.arg in keywords]
            for expression in given:
                found += variants(expression, scope)
    # A figure that touches a letter stands for a part that could not be followed: such a text is none that the program makes.
    return list(dict.fromkeys(text for text in found if any(ch.isalpha() for ch in text) and not _TOUCHING.search(text)))


def _name_of(call: ast.Call) -> str:
    return call.func.id if isinstance(call.func, ast.Name) else getattr(call.func, "attr", "")


def all_sentences() -> dict[str, list[str]]:
    """Every sentence by the file that makes it."""
    found = {str(path.relative_to(PACKAGE)): sentences_of(path) for path in sorted(PACKAGE.rglob("*.py"))}
    return {name: made for name, made in found.items() if made}
