"""Makes the mutants of a source file: each one a small edit of the text, found by the syntax tree.

The kinds are the classical ones: boundaries and directions of comparisons, and/or, + and -, numbers half as large again
and less by a third, negated answers, min and max, yes and no, a call or a setting of something remembered left out.
"""

from __future__ import annotations

import ast
import io
import tokenize
from collections.abc import Iterator
from dataclasses import dataclass

MORE, LESS = 1.5, 1.0 / 1.5
FLIPS: dict[type[ast.AST], tuple[str, str, str]] = {  # as written, boundary moved, direction turned
    ast.Lt: ("<", "<=", ">="),
    ast.LtE: ("<=", "<", ">"),
    ast.Gt: (">", ">=", "<="),
    ast.GtE: (">=", ">", "<"),
    ast.Eq: ("==", "!=", ""),
    ast.NotEq: ("!=", "==", ""),
    ast.In: ("in", "not in", ""),
    ast.Is: ("is", "is not", ""),
}
SUMS: dict[type[ast.AST], tuple[str, str]] = {ast.Add: ("+", "-"), ast.Sub: ("-", "+")}
SWAPPED_CALLS = {"min": "max", "max": "min", "any": "all", "all": "any"}


@dataclass(frozen=True, slots=True)
class Mutant:
    """One edit: the file, the line (from 1), what kind, and the line before and after. ``span`` is in characters."""

    path: str
    line: int
    kind: str
    before: str
    after: str
    span: tuple[int, int]
    text: str

    @property
    def key(self) -> str:
        """What tells it from all others as long as its line stays as it is."""
        return f"{self.path}|{self.before}|{self.after}"

    def applied(self, source: str) -> str:
        """The whole source with the edit."""
        return source[: self.span[0]] + self.text + source[self.span[1] :]


class Source:
    """A source text whose syntax nodes can be found as spans of characters."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.tree = ast.parse(text)
        self._lines = text.splitlines(keepends=True)
        self._starts = [0]
        for line in self._lines:
            self._starts.append(self._starts[-1] + len(line))
        self._noted = [
            (self._place(t.start), self._place(t.end), t.string)
            for t in tokenize.generate_tokens(io.StringIO(text).readline)
            if t.type in (tokenize.OP, tokenize.NAME)
        ]

    def _place(self, at: tuple[int, int]) -> int:
        return self._starts[at[0] - 1] + at[1]

    def span(self, node: ast.AST) -> tuple[int, int]:
        """Where a node begins and ends."""
        return self._at(node.lineno, node.col_offset), self._at(node.end_lineno, node.end_col_offset)  # type: ignore[attr-defined]

    def _at(self, line: int, column_bytes: int) -> int:
        return self._starts[line - 1] + len(self._lines[line - 1].encode()[:column_bytes].decode())

    def between(self, left: ast.AST, right: ast.AST, token: str) -> tuple[int, int]:
        """Where the operator ``token`` stands between two nodes."""
        begin, end = self.span(left)[1], self.span(right)[0]
        return next((a, b) for a, b, string in self._noted if begin <= a and b <= end and string == token)

    def line_of(self, place: int) -> int:
        """The line (from 1) of a place."""
        return self.text.count("\n", 0, place) + 1

    def mutant(self, path: str, kind: str, span: tuple[int, int], text: str) -> Mutant:
        """An edit as a mutant. Edits over several lines show their first."""
        line = self.line_of(span[0])
        changed = (self.text[: span[0]] + text + self.text[span[1] :]).splitlines()
        return Mutant(path, line, kind, self._lines[line - 1].strip(), changed[line - 1].strip(), span, text)


def mutants_of(path: str, text: str, only: tuple[str, ...] = ()) -> list[Mutant]:
    """All mutants of a source; ``only`` those within functions, classes or assigned names of these names, if any."""
    source = Source(text)
    found: dict[str, Mutant] = {}
    for top in source.tree.body:
        for node in _nodes(top, only):
            for kind, span, changed in _edits(source, node):
                mutant = source.mutant(path, kind, span, changed)
                found.setdefault(f"{mutant.key}|{mutant.span[0]}", mutant)
    return sorted(found.values(), key=lambda m: (m.line, m.span, m.text))


def _nodes(node: ast.AST, only: tuple[str, ...], inside: bool = False) -> Iterator[ast.AST]:
    """The nodes that may be changed: no texts, no types, no imports, no slots."""
    names = _names(node)
    inside = inside or not only or bool(names & set(only))
    if "__slots__" in names or isinstance(node, (ast.Import, ast.ImportFrom)):
        return
    if isinstance(node, ast.keyword) and node.arg == "strict":  # of zip: a check of ourselves, never met
        return
    if inside:
        yield node
    for name, value in ast.iter_fields(node):
        if name in ("annotation", "returns", "decorator_list"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST) and not _typing_only(child):
                yield from _nodes(child, only, inside)


def _names(node: ast.AST) -> set[str]:
    if isinstance(node, (ast.FunctionDef, ast.ClassDef)):
        return {node.name}
    targets = node.targets if isinstance(node, ast.Assign) else [node.target] if isinstance(node, ast.AnnAssign) else []
    return {n.id for t in targets for n in ast.walk(t) if isinstance(n, ast.Name)}


def _typing_only(node: ast.AST) -> bool:
    return isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"


def _edits(source: Source, node: ast.AST) -> Iterator[tuple[str, tuple[int, int], str]]:
    if isinstance(node, ast.Compare):
        yield from _comparisons(source, node)
    elif isinstance(node, ast.BoolOp):
        word, other = ("and", "or") if isinstance(node.op, ast.And) else ("or", "and")
        for left, right in zip(node.values, node.values[1:], strict=False):
            yield "logic", source.between(left, right, word), other
    elif isinstance(node, ast.BinOp) and type(node.op) in SUMS:
        token, other = SUMS[type(node.op)]
        yield "sum", source.between(node.left, node.right, token), other
    elif isinstance(node, ast.AugAssign) and type(node.op) in SUMS:
        token, other = SUMS[type(node.op)]
        yield "sum", source.between(node.target, node.value, f"{token}="), f"{other}="
    elif isinstance(node, ast.Constant):
        yield from _constants(source, node)
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
        yield "not", source.span(node), f"({ast.unparse(node.operand)})"
    elif isinstance(node, ast.Return) and node.value is not None:
        yield from _answers(source, node.value)
    elif isinstance(node, ast.Expr) and isinstance(node.value, ast.Call):
        yield "call", source.span(node), "pass"
    elif isinstance(node, ast.FunctionDef) and node.name != "__init__":
        yield from _resets(source, node)
    elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in SWAPPED_CALLS:
        yield "extreme", source.span(node.func), SWAPPED_CALLS[node.func.id]


def _comparisons(source: Source, node: ast.Compare) -> Iterator[tuple[str, tuple[int, int], str]]:
    sides = [node.left, *node.comparators]
    for left, op, right in zip(sides, node.ops, sides[1:], strict=False):
        if type(op) in FLIPS:
            token, boundary, turned = FLIPS[type(op)]
            where = source.between(left, right, token)
            yield ("boundary" if turned else "comparison"), where, boundary
            if turned:
                yield "comparison", where, turned
        right_at = source.span(right)
        if isinstance(right, ast.Constant) and right.value == 0.0 and isinstance(right.value, float):
            yield "number", right_at, "1.0"


def _resets(source: Source, function: ast.FunctionDef) -> Iterator[tuple[str, tuple[int, int], str]]:
    """Settings of a remembered value to a number, a yes or a no, left out."""
    for node in ast.walk(function):
        if isinstance(node, ast.Assign) and isinstance(node.value, (ast.Constant, ast.Tuple)):
            if all(isinstance(n, ast.Attribute) for t in node.targets for n in getattr(t, "elts", [t])):
                yield "reset", source.span(node), "pass"


def _constants(source: Source, node: ast.Constant) -> Iterator[tuple[str, tuple[int, int], str]]:
    value, where = node.value, source.span(node)
    if isinstance(value, bool):
        yield "yes-no", where, str(not value)
    elif isinstance(value, float):
        for factor in (MORE, LESS) if value else ():
            yield "number", where, repr(value * factor)
    elif isinstance(value, int):
        more, less = (round(value * MORE), round(value * LESS)) if value > 4 else (value + 1, max(value - 1, 0))
        for other in {more, less} - {value}:
            yield "number", where, str(other)


def _answers(source: Source, value: ast.expr) -> Iterator[tuple[str, tuple[int, int], str]]:
    """An answer turned round: yes and no, or the sign of a number. Texts and records are left alone."""
    where = source.span(value)
    if isinstance(value, (ast.Compare, ast.BoolOp)) or (
        isinstance(value, ast.UnaryOp) and isinstance(value.op, ast.Not)
    ):
        yield "answer", where, f"not ({source.text[slice(*where)]})"
    elif isinstance(value, (ast.BinOp, ast.Name, ast.Attribute)) and ast.unparse(value) != "nan":
        yield "answer", where, f"-({source.text[slice(*where)]})"
