"""Numbers too small to be normal, taken as nought: a thread's own setting, made and put back by compiled code.

Ahead of a wave's front lie cells whose field falls below 1e-38, the least normal number of single precision. x86
processors take far longer over such numbers than over others: on one of 2024 they cost a tenth to a fifth of a trace's
time. Other processors are left as they are.
"""

from __future__ import annotations

import platform
from collections.abc import Callable
from typing import Any, Final

from llvmlite import ir  # type: ignore[import-untyped]
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic

__all__ = ["flush_subnormals", "restore_subnormals"]

_FLUSH: Final = 0x8040
"""Bits of x86's control word MXCSR: results and operands that are not normal count as nought."""
_X86: Final = platform.machine().lower() in ("x86_64", "amd64")
# Numba's own carry no types.
_intrinsic: Callable[[Callable[..., Any]], Any] = intrinsic
_tools: Any = cgutils


@_intrinsic
def flush_subnormals(typing: Any) -> Any:
    """Take subnormal numbers as nought in this thread, and return the setting before for `restore_subnormals`."""

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        word = ir.IntType(32)
        if not _X86:
            return ir.Constant(word, 0)
        place = _tools.alloca_once(builder, word)
        _call(builder, "llvm.x86.sse.stmxcsr", place)
        before = builder.load(place)
        builder.store(builder.or_(before, ir.Constant(word, _FLUSH)), place)
        _call(builder, "llvm.x86.sse.ldmxcsr", place)
        return before

    kinds: Any = types
    return kinds.uint32(), code


@_intrinsic
def restore_subnormals(typing: Any, before: Any) -> Any:
    """Put the setting back."""

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        if _X86:
            place = _tools.alloca_once_value(builder, arguments[0])
            _call(builder, "llvm.x86.sse.ldmxcsr", place)
        return context.get_dummy_value()

    kinds: Any = types
    return kinds.void(kinds.uint32), code


def _call(builder: Any, name: str, place: Any) -> None:
    byte = ir.IntType(8).as_pointer()
    function = _tools.get_or_insert_function(builder.module, ir.FunctionType(ir.VoidType(), [byte]), name)
    builder.call(function, [builder.bitcast(place, byte)])
