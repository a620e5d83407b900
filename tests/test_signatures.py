"""Functions take at most two positional arguments, then keywords, six in all; public ones say what they are for."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
VISION = (
    "coins",
    "document",
    "findings",
    "overlay",
    "photo",
    "reference",
    "several",
    "types",
    "wanted",
)
MODULES = sorted(
    [
        *(ROOT / "cli").glob("*.py"),
        *(ROOT / "records").glob("*.py"),
        *(ROOT / "neck").glob("*.py"),
        *(ROOT / "vision" / "render").glob("*.py"),
        *(ROOT / "vision" / f"{name}.py" for name in VISION),
    ]
)
# Compiled to machine code: the compiler takes positional arguments alone, and a ray is six numbers.
COMPILED = {"compiled", "compiled_parallel"}


def functions(tree: ast.Module) -> Iterator[tuple[ast.FunctionDef, bool]]:
    """Yield every function of a module, nested ones too, and whether its first argument is the object or the class."""
    for parent in ast.walk(tree):
        if isinstance(parent, ast.Module | ast.ClassDef | ast.FunctionDef):
            for node in parent.body:
                if isinstance(node, ast.FunctionDef):
                    yield node, isinstance(parent, ast.ClassDef) and "staticmethod" not in decorators(node)


def decorators(node: ast.FunctionDef) -> set[str]:
    return {d.id for d in node.decorator_list if isinstance(d, ast.Name)}


@pytest.mark.parametrize("module", MODULES, ids=lambda path: str(path.relative_to(ROOT)))
def test_signatures(module: Path) -> None:
    found = list(functions(ast.parse(module.read_text("utf-8"))))
    for node, bound in found:
        where = f"{module.name}:{node.lineno} {node.name}"
        if not node.name.startswith("_"):
            assert ast.get_docstring(node) or _nested(node, found), f"{where} says nothing"
        if decorators(node) & COMPILED:
            continue
        positional = len(node.args.posonlyargs) + len(node.args.args) - bound
        assert positional <= 2, f"{where} takes {positional} positional arguments"
        assert positional + len(node.args.kwonlyargs) <= 6, f"{where} takes too many arguments: use a dataclass"


def _nested(node: ast.FunctionDef, found: list[tuple[ast.FunctionDef, bool]]) -> bool:
    return any(node in ast.walk(other) for other, _ in found if other is not node)


def test_modules_are_found() -> None:
    assert len(MODULES) > 90
    assert all(module.exists() for module in MODULES)
