"""The faults that tests.mutate puts into a module: each is one change, and none lies where no test could find it."""

from __future__ import annotations

import ast

from tests.mutate import mutants

TEXT = '''"""Text 1."""
LIMIT: int = 3

def check(a: "list[int]", b: int = 0) -> bool:
    """Text 2."""
    assert a or b
    if not a:
        raise ValueError("1 + 1", 1 + 1)
    return min(a) <= b and all(x < LIMIT for x in zip(a, a, strict=True))
'''


def test_each_fault_is_one_change_of_code() -> None:
    found = list(mutants(TEXT))
    plain = ast.unparse(ast.parse(TEXT))
    changed = [ast.unparse(m.tree) for m in found]
    assert plain not in changed
    assert len(set(changed)) == len(changed)
    for mutant, text in zip(found, changed, strict=True):
        compile(mutant.tree, "made.py", "exec")
        assert sum(a != b for a, b in zip(plain.splitlines(), text.splitlines(), strict=True)) == 1


def test_what_is_changed() -> None:
    said = {(m.line, m.said) for m in mutants(TEXT)}
    assert (2, "3  ->  4") in said
    assert {line for line, _ in said} == {2, 4, 7, 9}  # no text, no assert, nothing of an error
    assert {"min(a) <= b  ->  min(a) < b", "min(a) <= b  ->  min(a) > b", "min  ->  max", "all  ->  any"} <= {
        s for _, s in said
    }
    assert not any("strict=False" in s for _, s in said)
