"""A whole step of a row in one pass: what `rows` does in several, with each number loaded and stored once.

Rows without conductors or relaxing water, nearly all of them, take this way. A block of the electric field and one of
the magnetic field stay in registers from one round of the loop to the next, for neighbouring cells need them.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

from llvmlite import ir  # type: ignore[import-untyped]
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic

from yewline.simulation.wave.rows import BLOCK, Block, Row

__all__ = ["step", "step_corner", "step_edge", "step_end"]


class _Passing(NamedTuple):
    """What a round of the loop hands to the next: the electric field at hand, the magnetic field just above it."""

    here: Block
    above: Block


class _Edge(NamedTuple):
    """Rows of an absorbing top or bottom: memory and coefficients, of the magnetic field and of the electric one."""

    psi_h: Row
    psi_e: Row
    b_h: Row
    c_h: Row
    stretch_h: Row
    b_e: Row
    c_e: Row
    stretch_e: Row


class _End(NamedTuple):
    """Rows of memory of an absorbing end, and its coefficients, the same for all cells."""

    psi_h: Row
    psi_e: Row
    b_h: Block
    c_h: Block
    stretch_h: Block
    b_e: Block
    c_e: Block
    stretch_e: Block


def _body(rows: list[Row], passing: _Passing, edge: _Edge | None, end: _End | None) -> _Passing:
    """One block of cells: the magnetic field beside and below, then the electric field."""
    e, hx, hz, beyond, before, keep, gain = rows
    here, after = passing.here, e[BLOCK]
    down, across = here.joined(after, 1) - here, beyond[0] - here
    x, z = hx[0] + down, hz[0] + across
    if edge:
        x = x + _stretched(edge.psi_h, down, edge.b_h[0], edge.c_h[0], edge.stretch_h[0])
    if end:
        z = z + _stretched(end.psi_h, across, end.b_h, end.c_h, end.stretch_h)
    hx[0], hz[0] = x, z
    down, across, pull = x - passing.above.joined(x, BLOCK - 1), z - before[0], gain[0]
    value = keep[0] * here + pull * (down + across)
    if edge:
        value = value + pull * _stretched(edge.psi_e, down, edge.b_e[0], edge.c_e[0], edge.stretch_e[0])
    if end:
        value = value + pull * _stretched(end.psi_e, across, end.b_e, end.c_e, end.stretch_e)
    e[0] = value
    return _Passing(after, x)


def _stretched(psi: Row, change: Block, b: Block, c: Block, stretch: Block) -> Block:
    """What stretched space adds to a difference."""
    memory = b * psi[0] + c * change
    psi[0] = memory
    return stretch * change + memory


def _operation(name: str, meaning: str, *, edge: bool, end: bool) -> Any:
    """A step callable from compiled code as ``step(addresses, (number,), cells)``; the number tells the precision.

    `addresses` are those of e, hx, hz, the next row's e, the last row's hz, keep and gain, then of `_Edge` and `_End`.
    """

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        addresses, _, cells = arguments
        kind = context.get_value_type(signature.args[1].dtype)
        unpack: Any = cgutils.unpack_tuple
        function = builder.module.globals.get(f"{name}.{kind}")
        if function is None:
            function = _define(builder.module, f"{name}.{kind}", kind, edge=edge, end=end)
        pointers = [builder.inttoptr(row, kind.as_pointer()) for row in unpack(builder, addresses)]
        builder.call(function, [*pointers, cells])
        return context.get_dummy_value()

    def typed(typing: Any, addresses: Any, numbers: Any, cells: Any) -> Any:
        kinds: Any = types
        return kinds.void(addresses, numbers, kinds.intp), code

    typed.__name__ = name
    typed.__doc__ = meaning
    made: Callable[[Any], Any] = intrinsic
    return made(typed)


def _define(module: Any, name: str, kind: Any, *, edge: bool, end: bool) -> Any:
    count, whole = 7 + 8 * edge + 8 * end, ir.IntType(64)
    signature = ir.FunctionType(ir.VoidType(), [*[kind.as_pointer()] * count, whole])
    function = ir.Function(module, signature, name)
    function.linkage = "internal"
    for attribute in ("nounwind", "alwaysinline"):
        function.attributes.add(attribute)
    *pointers, cells = function.args
    for pointer in pointers:
        pointer.add_attribute("noalias")
    entry, loop, done = (function.append_basic_block(part) for part in ("entry", "loop", "done"))
    builder = ir.IRBuilder(entry)
    none = ir.Constant(whole, 0)
    first = _Passing(Row(builder, pointers[0], none)[0], Row(builder, pointers[1], none)[-BLOCK])
    alone = [Row(builder, pointer, none).alone() for pointer in pointers[-6:]] if end else []
    builder.cbranch(builder.icmp_signed("<", none, cells), loop, done)
    builder.position_at_end(loop)
    cell = builder.phi(whole)
    carried = [builder.phi(block.value.type) for block in first]
    rows = [Row(builder, pointer, cell) for pointer in pointers]
    last = _body(
        rows[:7],
        _Passing(*(Block(builder, block) for block in carried)),
        _Edge(*rows[7:15]) if edge else None,
        _End(rows[-8], rows[-7], *alone) if end else None,
    )
    following = builder.add(cell, ir.Constant(whole, BLOCK), flags=("nsw",))
    cell.add_incoming(none, entry)
    cell.add_incoming(following, loop)
    for block, start, latest in zip(carried, first, last, strict=True):
        block.add_incoming(start.value, entry)
        block.add_incoming(latest.value, loop)
    builder.cbranch(builder.icmp_signed("<", following, cells), loop, done)
    builder.position_at_end(done)
    builder.ret_void()
    return function


step = _operation("step", "A step of cells away from all edges.", edge=False, end=False)
step_edge = _operation("step_edge", "A step of cells in an absorbing top or bottom.", edge=True, end=False)
step_end = _operation("step_end", "A step of cells in an absorbing end.", edge=False, end=True)
step_corner = _operation(
    "step_corner", "A step of cells where an absorbing top or bottom meets an end.", edge=True, end=True
)
