"""Small changes to a module's source, one at a time, as a hand that slips would make them.

Comparisons turn or shift by one, arithmetic changes its sign, numbers move by one, truth values and conditions turn,
and a returned value is lost. Left alone: docstrings and messages, annotations, and numbers inside f-strings.
"""

import ast
import copy
from collections.abc import Iterator
from dataclasses import dataclass

_COMPARED = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.In: ast.NotIn, ast.NotIn: ast.In, ast.Is: ast.IsNot, ast.IsNot: ast.Is,
}  # fmt: skip
_COMPUTED = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd, ast.FloorDiv: ast.Div, ast.Mod: ast.Mult,
}  # fmt: skip
_JOINED = {ast.And: ast.Or, ast.Or: ast.And}


@dataclass(frozen=True)
class Change:
    """One change: its lines in the source as it stands, what it is, and the source with it."""

    line: int
    last_line: int
    says: str
    source: str


def changes(source: str) -> Iterator[Change]:
    """Every change of a module, in the order of the source."""
    tree = ast.parse(source)
    places = sorted(_places(tree), key=lambda place: (place[0].lineno, place[0].col_offset))
    for node, says, change in places:
        changed = copy.deepcopy(tree)
        twin = _twin(changed, tree, node)
        before = ast.unparse(node)
        change(twin)
        after = ast.unparse(twin)
        if before != after:
            yield Change(
                node.lineno, node.end_lineno, f"{says}: {_short(before)} -> {_short(after)}", ast.unparse(changed)
            )


def _short(text: str) -> str:
    text = " ".join(text.split())
    return text if len(text) < 70 else f"{text[:67]}..."


def _twin(changed: ast.AST, tree: ast.AST, node: ast.AST) -> ast.AST:
    return next(new for old, new in zip(ast.walk(tree), ast.walk(changed), strict=True) if old is node)


def _places(tree: ast.Module) -> Iterator[tuple]:
    skipped: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, (ast.JoinedStr, ast.arguments)):
            skipped |= {id(part) for part in ast.walk(node)}
        if isinstance(node, ast.AnnAssign):
            skipped |= {id(part) for part in ast.walk(node.annotation)}
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)) and node.returns:
            skipped |= {id(part) for part in ast.walk(node.returns)}
        if isinstance(node, ast.Raise):
            skipped |= {id(part) for part in ast.walk(node)}
    for node in ast.walk(tree):
        if id(node) in skipped:
            continue
        if isinstance(node, ast.Compare) and type(node.ops[0]) in _COMPARED:
            yield node, "comparison", lambda twin: twin.ops.__setitem__(0, _COMPARED[type(twin.ops[0])]())
        elif isinstance(node, ast.BinOp) and type(node.op) in _COMPUTED and not _texts(node):
            yield node, "arithmetic", lambda twin: setattr(twin, "op", _COMPUTED[type(twin.op)]())
        elif isinstance(node, ast.BoolOp):
            yield node, "condition", lambda twin: setattr(twin, "op", _JOINED[type(twin.op)]())
        elif isinstance(node, ast.UnaryOp) and isinstance(node.op, (ast.Not, ast.Invert)):
            yield node, "negation", _without_negation
        elif isinstance(node, ast.Constant) and isinstance(node.value, bool):
            yield node, "truth", lambda twin: setattr(twin, "value", not twin.value)
        elif isinstance(node, ast.Constant) and isinstance(node.value, (int, float)):
            yield node, "number", lambda twin: setattr(twin, "value", twin.value + 1)
        elif isinstance(node, ast.Return) and node.value is not None and not isinstance(node.value, ast.Constant):
            yield node, "return", lambda twin: setattr(twin, "value", ast.Constant(None))


def _texts(node: ast.BinOp) -> bool:
    """Whether a sum is one of texts."""
    ends = (node.left, node.right)
    return any(
        isinstance(part, ast.JoinedStr) or (isinstance(part, ast.Constant) and isinstance(part.value, str))
        for part in ends
    )


def _without_negation(twin: ast.UnaryOp) -> None:
    turned = isinstance(twin.op, ast.Not)
    twin.operand = ast.Call(ast.Name("bool", ast.Load()), [twin.operand], []) if turned else twin.operand
    twin.op = ast.UAdd()
