"""The compiler of the ray caster, asked for only when a photo is to be made."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

from lightgap.neck.errors import InputError

numba: Any
try:
    import numba
except ImportError:  # the package still imports: settings, truth and camera need no compiler
    numba = None

F = TypeVar("F", bound=Callable[..., Any])
MAX_THREADS = 2
FAST = {"reassoc", "contract", "arcp", "nsz"}  # reordering only: infinities keep their meaning


def compiled(function: F) -> F:
    """Compile `function` for the processor on first use, when the compiler is installed."""
    return function if numba is None else cast(F, numba.njit(cache=True, error_model="numpy", fastmath=FAST)(function))


def compiled_parallel(function: F) -> F:
    """Compile `function` with its `prange` loops spread over threads."""
    if numba is None:
        return function
    return cast(F, numba.njit(cache=True, error_model="numpy", fastmath=FAST, parallel=True, nogil=True)(function))


prange = range if numba is None else numba.prange


def require_compiler() -> None:
    """Raise InputError when the compiler is not installed; keep it to few threads otherwise."""
    if numba is None:
        raise InputError("rendering needs the numba package: pip install 'lightgap[render]'")
    numba.set_num_threads(min(MAX_THREADS, numba.config.NUMBA_NUM_THREADS))
