"""Compiling the few loops that NumPy cannot make fast."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba

Function = TypeVar("Function", bound=Callable[..., Any])


def compiled(function: Function) -> Function:
    """Compile a function to machine code when it is first called; the result is kept on disk.

    What is kept is renewed when the function's own file changes, not when another does: a
    compiled function therefore calls only compiled functions of its own file. Other threads go
    on while it runs.
    """
    return cast("Function", numba.njit(cache=True, nogil=True, error_model="numpy")(function))


def inlined(function: Function) -> Function:
    """Compile a function into each that calls it, so that nothing passes through memory."""
    made = numba.njit(nogil=True, error_model="numpy", forceinline=True)(function)
    return cast("Function", made)
