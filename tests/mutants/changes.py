"""Small wrong changes to Python source: one comparison, sum, number or condition at a time. What is said in words is left alone."""

import ast
from collections.abc import Iterator
from typing import NamedTuple

SWAPPED = {
    "<": "<=",
    "<=": "<",
    ">": ">=",
    ">=": ">",
    "==": "!=",
    "!=": "==",
    "is": "is not",
    "is not": "is",
    "in": "not in",
    "not in": "in",
}
REVERSED = {"<": ">", "<=": ">=", ">": "<", ">=": "<="}
TURNED = {"+": "-", "-": "+", "*": "/", "/": "*", "//": "*", "%": "*", "**": "*"}
OPERATORS: dict[type, str] = {
    ast.Lt: "<", ast.LtE: "<=", ast.Gt: ">", ast.GtE: ">=", ast.Eq: "==", ast.NotEq: "!=", ast.Is: "is", ast.IsNot: "is not",
    ast.In: "in", ast.NotIn: "not in", ast.Add: "+", ast.Sub: "-", ast.Mult: "*", ast.Div: "/", ast.FloorDiv: "//", ast.Mod: "%", ast.Pow: "**",
}  # fmt: skip


class Change(NamedTuple):
    """Replace `source[begin:end]` by `text`."""

    line: int
    begin: int
    end: int
    text: str

    def applied(self, source: str) -> str:
        return source[: self.begin] + self.text + source[self.end :]


def changes(source: str) -> list[Change]:
    """Every change that this source offers, in the order of the text."""
    starts = [0]
    for line in source.encode().splitlines(keepends=True):
        starts.append(starts[-1] + len(line))
    raw = source.encode()

    def at(line: int, column: int) -> int:
        return len(raw[: starts[line - 1] + column].decode())

    found: list[Change] = []
    for node in _walked(ast.parse(source)):
        if isinstance(node, ast.Compare):
            for left, op, right in zip([node.left, *node.comparators], node.ops, node.comparators, strict=False):
                old = OPERATORS[type(op)]
                begin, end = at(left.end_lineno or 0, left.end_col_offset or 0), at(right.lineno, right.col_offset)
                for new in {SWAPPED[old], REVERSED.get(old, SWAPPED[old])}:
                    found += _between(source, begin, end, old, new, node.lineno)
        elif isinstance(node, ast.BinOp) and type(node.op) in OPERATORS:
            old = OPERATORS[type(node.op)]
            begin = at(node.left.end_lineno or 0, node.left.end_col_offset or 0)
            found += _between(source, begin, at(node.right.lineno, node.right.col_offset), old, TURNED[old], node.lineno)
        elif isinstance(node, ast.BoolOp):
            old, new = ("and", "or") if isinstance(node.op, ast.And) else ("or", "and")
            begin = at(node.values[0].end_lineno or 0, node.values[0].end_col_offset or 0)
            found += _between(source, begin, at(node.values[1].lineno, node.values[1].col_offset), old, new, node.lineno)
        elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
            begin = at(node.lineno, node.col_offset)
            found.append(Change(node.lineno, begin, begin + len("not "), ""))
        elif isinstance(node, ast.Constant) and type(node.value) in (int, float, bool):
            begin, end = at(node.lineno, node.col_offset), at(node.end_lineno or 0, node.end_col_offset or 0)
            value = node.value
            text = str(not value) if type(value) is bool else "1" if value == 0 else repr(value * 2 if type(value) is int else value * 1.5)
            found.append(Change(node.lineno, begin, end, text))
    return sorted(set(found), key=lambda c: (c.begin, c.text))


def place_of(source: str, line: int) -> tuple[range, str | None]:
    """The lines of the statement at a line (of a compound one its head), and the name that it defines where it is done at import."""
    name: str | None = None
    lines = range(line, line + 1)
    within: list[ast.stmt] = ast.parse(source).body
    inside = False
    while True:
        node = next((n for n in within if n.lineno <= line <= (n.end_lineno or n.lineno)), None)
        if node is None:
            return lines, name
        body = [child for child in ast.iter_child_nodes(node) if isinstance(child, ast.stmt)]
        first = min((child.lineno for child in body), default=(node.end_lineno or node.lineno) + 1)
        lines = range(node.lineno, max(first, node.lineno + 1))
        if not inside:
            name = _defined(node)
        if line < first:
            return lines, name
        if isinstance(node, ast.FunctionDef):
            inside, name = True, None
        within = body


def _defined(node: ast.stmt) -> str | None:
    if isinstance(node, ast.FunctionDef | ast.ClassDef):
        return node.name
    targets = node.targets if isinstance(node, ast.Assign) else [node.target] if isinstance(node, ast.AnnAssign) else []
    return next((target.id for target in targets if isinstance(target, ast.Name)), "")


def _walked(tree: ast.AST) -> Iterator[ast.AST]:
    """Every node but annotations, words, and sentences made of parts (their places are not told exactly before Python 3.12)."""
    for name, value in ast.iter_fields(tree):
        if name in ("annotation", "returns", "decorator_list"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST) and not isinstance(child, ast.JoinedStr | ast.Assert):
                yield child
                yield from _walked(child)


def _between(source: str, begin: int, end: int, old: str, new: str, line: int) -> list[Change]:
    """The operator stands alone between its two sides, but for brackets and spaces."""
    place = source.find(old, begin, end)
    return [] if place < 0 or "#" in source[begin:end] else [Change(line, place, place + len(old), new)]
