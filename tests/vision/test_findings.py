"""Every way of saying no carries its cure."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import lightgap.vision
from lightgap.vision import findings
from lightgap.vision.findings import REGISTRY, refusal, warning

MODULES = sorted(Path(lightgap.vision.__path__[0]).glob("*.py"))


def test_codes_are_unique() -> None:
    codes = [kind.code for kind in findings._KINDS]
    assert len(codes) == len(set(codes)) == len(REGISTRY)


@pytest.mark.parametrize("code", sorted(REGISTRY))
def test_finding_says_what_it_is_what_it_means_and_what_to_change(code: str) -> None:
    kind = REGISTRY[code]
    assert code == code.lower().strip()
    assert len(kind.short) > 10
    assert len(kind.cure) > 10
    assert len(kind.long) > len(kind.short)
    line = refusal(code, "3 of 9").message if kind.severity == "refusal" else warning(code, "3 of 9").message
    assert "\n" not in line
    assert kind.short in line
    assert kind.cure in line
    assert "(3 of 9)" in line


def said_codes() -> set[tuple[str, str]]:
    """Return (function, code) of every finding the measuring modules raise or add with a literal code."""
    found = set()
    for module in MODULES:
        for node in ast.walk(ast.parse(module.read_text("utf-8"))):
            named = isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
            if named and node.func.id in ("refusal", "warning") and node.args:  # type: ignore[attr-defined]
                first = node.args[0]  # type: ignore[attr-defined]
                if isinstance(first, ast.Constant):
                    found.add((node.func.id, first.value))  # type: ignore[attr-defined]
    return found


def test_modules_say_only_what_is_registered_and_as_it_is_registered() -> None:
    said = said_codes()
    assert len(said) > 8
    for function, code in said:
        assert REGISTRY[code].severity == function
