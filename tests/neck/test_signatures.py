"""Public functions take at most two positional arguments and six in all."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
from collections.abc import Callable, Iterator
from typing import Any

import pytest

import lightgap.neck


def public_functions() -> Iterator[Callable[..., Any]]:
    for found in pkgutil.iter_modules(lightgap.neck.__path__, "lightgap.neck."):
        module = importlib.import_module(found.name)
        for name, value in vars(module).items():
            if inspect.isfunction(value) and not name.startswith("_") and value.__module__ == module.__name__:
                yield value


@pytest.mark.parametrize(
    "function", list(public_functions()), ids=lambda f: f"{f.__module__.split('.')[-1]}.{f.__name__}"
)
def test_signature(function: Callable[..., Any]) -> None:
    parameters = list(inspect.signature(function).parameters.values())
    positional = [p for p in parameters if p.kind in (p.POSITIONAL_ONLY, p.POSITIONAL_OR_KEYWORD)]
    assert len(positional) <= 2
    assert len(parameters) <= 6
    assert function.__doc__
