"""Options that belong together, told once: a command takes a dataclass, the command line its fields."""

from __future__ import annotations

import dataclasses
import inspect
from collections.abc import Callable
from typing import Any, get_type_hints

Command = Callable[..., None]


def spread(command: Command) -> Command:
    """Return a command whose dataclass parameters are spread into one parameter a field.

    Each field's annotation says its option (`Annotated[..., typer.Option(...)]`), its default the option's default.
    What is given on the command line is put together again before the command sees it.
    """
    hints = get_type_hints(command, include_extras=True)
    blocks = {name: hint for name, hint in hints.items() if dataclasses.is_dataclass(hint) and isinstance(hint, type)}
    parameters: list[inspect.Parameter] = []
    for parameter in inspect.signature(command).parameters.values():
        if parameter.name in blocks:
            parameters += _fields(blocks[parameter.name])
        else:
            parameters.append(_keyword(parameter.name, hints[parameter.name], default=parameter.default))

    def run(**given: Any) -> None:
        for name, block in blocks.items():
            given[name] = block(**{field.name: given.pop(field.name) for field in dataclasses.fields(block)})
        command(**given)

    run.__name__, run.__doc__, run.__module__ = command.__name__, command.__doc__, command.__module__
    run.__annotations__ = {p.name: p.annotation for p in parameters} | {"return": None}
    run.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined]
    return run


def typed_values(*blocks: Any) -> dict[str, Any]:
    """Return what was given in option dataclasses, by the option's name without its dashes; None is not given."""
    return {
        field.name.replace("_", "-"): getattr(block, field.name)
        for block in blocks
        for field in dataclasses.fields(block)
        if getattr(block, field.name) is not None
    }


def _fields(block: Any) -> list[inspect.Parameter]:
    hints = get_type_hints(block, include_extras=True)
    return [_keyword(field.name, hints[field.name], default=field.default) for field in dataclasses.fields(block)]


def _keyword(name: str, annotation: Any, *, default: Any) -> inspect.Parameter:
    missing = default is dataclasses.MISSING or default is inspect.Parameter.empty
    kept = inspect.Parameter.empty if missing else default
    return inspect.Parameter(name, inspect.Parameter.KEYWORD_ONLY, default=kept, annotation=annotation)
