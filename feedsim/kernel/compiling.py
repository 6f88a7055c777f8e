"""How the kernel's functions become machine code, and how they run without.

With numba's own switch NUMBA_DISABLE_JIT=1 the same functions run as plain Python: slowly, but
open to a debugger, to coverage and to planted faults.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba

Function = TypeVar("Function", bound=Callable[..., Any])

AS_PYTHON = bool(numba.config.DISABLE_JIT)


def compiled(function: Function) -> Function:
    """Have a function compiled into whoever calls it.

    It neither holds Python's lock nor checks divisions: no divisor here can be 0.
    """
    return cast(Function, numba.njit(nogil=True, error_model="numpy", forceinline=True)(function))


def compiled_once(function: Function) -> Function:
    """Have a function compiled by itself: it is large, or called from many places.

    Said nothing, numba would inline it too wherever an inlined function calls it first.
    """
    return cast(Function, numba.njit(nogil=True, error_model="numpy", forceinline=False)(function))
