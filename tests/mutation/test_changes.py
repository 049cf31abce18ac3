"""The changes of the mutation run change something, one thing at a time, and run."""

import ast

from tests.mutation.changes import changes

SOURCE = '''"""A module of 3 lines."""
LIMIT: int = 4


def f(x, y=2):
    """Doubles 2 numbers."""
    if x <= LIMIT and not y:
        raise ValueError(f"found {x + 1}")
    return x * 2 + y
'''


def test_every_change_is_one_change_and_still_a_program():
    made = list(changes(SOURCE))
    kinds = {change.says.partition(":")[0] for change in made}
    assert kinds == {"comparison", "arithmetic", "condition", "negation", "number", "return"}
    assert len({change.source for change in made}) == len(made) == 8
    original = ast.unparse(ast.parse(SOURCE))
    for change in made:
        compile(change.source, "changed", "exec")
        lines = zip(original.splitlines(), change.source.splitlines(), strict=True)
        assert sum(old != new for old, new in lines) == 1
        assert "Doubles 2 numbers." in change.source
        assert "found {x + 1}" in change.source
