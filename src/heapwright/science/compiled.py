"""Compiling the few loops that NumPy cannot make fast."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba

Function = TypeVar("Function", bound=Callable[..., Any])


def _njit(function: Function, **options: bool) -> Function:
    # No memory is asked for within, so references need not be counted: that took a fifth.
    given: dict[str, Any] = {"nogil": True, "error_model": "numpy", "_nrt": False, **options}
    return cast("Function", numba.njit(**given)(function))


def compiled(function: Function) -> Function:
    """Compile a function to machine code when it is first called; the result is kept on disk.

    What is kept is renewed when the function's own file changes, not when another does: a
    compiled function therefore calls only compiled functions of its own file. Other threads go
    on while it runs. It makes no arrays: room for what it finds is given to it.
    """
    return _njit(function, cache=True)


def inlined(function: Function) -> Function:
    """Compile a function into each that calls it, so that nothing passes through memory."""
    return _njit(function, forceinline=True)
