"""Which of the kit's own errors a function can end with, read from its code and from the code it calls.

Followed are calls by name and by module, inside the kit; a call under `try` does not pass on what an `except` there
names. Methods are not followed: their owner is not known without running.
"""

import ast
import inspect
import textwrap
from collections.abc import Iterator
from functools import cache
from types import FunctionType

OWN = frozenset({"StudyError", "InstrumentError", "FitError", "PlanError"})
ROOTS = ("outcomes", "stats", "synthetic_cohort", "tests")


def reached_errors(function: FunctionType) -> frozenset[str]:
    """Names of own errors; those of functions called, of functions they call, and so on."""
    found: set[str] = set()
    seen: set[tuple[FunctionType, frozenset[str]]] = set()
    waiting = [(function, frozenset[str]())]
    while waiting:
        one, caught = waiting.pop()
        if (one, caught) in seen:
            continue
        seen.add((one, caught))
        for name, inside in _raised(one):
            if name not in caught | inside:
                found.add(name)
        waiting += [(called, caught | inside) for called, inside in _called(one)]
    return frozenset(found)


@cache
def _raised(function: FunctionType) -> tuple[tuple[str, frozenset[str]], ...]:
    """Own errors made in the function itself, each with what catches it there."""
    return tuple(
        (node.func.id, caught)
        for node, caught in _calls(_tree(function), frozenset())
        if isinstance(node.func, ast.Name) and node.func.id in OWN
    )


@cache
def _called(function: FunctionType) -> tuple[tuple[FunctionType, frozenset[str]], ...]:
    names = vars(inspect.getmodule(function))
    found = []
    for node, caught in _calls(_tree(function), frozenset()):
        thing: object = None
        if isinstance(node.func, ast.Name):
            thing = names.get(node.func.id)
        elif isinstance(node.func, ast.Attribute) and isinstance(node.func.value, ast.Name):
            thing = getattr(names.get(node.func.value.id), node.func.attr, None)
        if inspect.isclass(thing):
            thing = vars(thing).get("__post_init__")
        thing = inspect.unwrap(thing) if callable(thing) else None
        if inspect.isfunction(thing) and thing.__module__.split(".")[0] in ROOTS:
            found.append((thing, caught))
    return tuple(found)


def _tree(function: FunctionType) -> ast.AST:
    return ast.parse(textwrap.dedent(inspect.getsource(function)))


def _calls(node: ast.AST, caught: frozenset[str]) -> Iterator[tuple[ast.Call, frozenset[str]]]:
    if isinstance(node, ast.Call):
        yield node, caught
    if isinstance(node, ast.Try):
        handled = caught | {name for handler in node.handlers for name in _handled(handler)}
        for line in node.body:
            yield from _calls(line, handled)
        for child in (*node.handlers, *node.orelse, *node.finalbody):
            yield from _calls(child, caught)
        return
    for child in ast.iter_child_nodes(node):
        yield from _calls(child, caught)


def _handled(handler: ast.ExceptHandler) -> frozenset[str]:
    """Own errors that a handler keeps; all of them are ValueErrors."""
    if any(isinstance(node, ast.Raise) and node.exc is None for node in ast.walk(handler)):
        return frozenset()
    kept = {node.id for node in ast.walk(handler.type) if isinstance(node, ast.Name)} if handler.type else {"Exception"}
    return OWN if kept & {"Exception", "ValueError", "BaseException"} else frozenset(kept & OWN)
