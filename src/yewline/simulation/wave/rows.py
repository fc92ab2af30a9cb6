"""Row operations in whole vectors: the arithmetic of a step, written once for single and double precision.

A compiled Python loop over five rows first asks at run time whether any two of them overlap, counts references, and
ends in single cells; for rows of a hundred cells that takes longer than the work. Here each operation is a function of
addresses whose rows do not overlap and whose length is a whole number of `BLOCK`s, which the caller keeps. A body is an
expression in values; each of them stands for a block of neighbouring cells, which LLVM fits to the machine's vectors.

Numba keeps compiled code by the date of the file that it stands in, `kernels`: touch that one after a change here or in
`row_step`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from llvmlite import ir  # type: ignore[import-untyped]
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic

__all__ = [
    "BLOCK",
    "Block",
    "Row",
    "edge_electric",
    "edge_magnetic",
    "electric",
    "end_electric",
    "end_magnetic",
    "magnetic",
    "settle",
    "water_electric",
]

BLOCK: Final = 16
"""Cells in a block: rows and absorbing edges come in whole blocks."""
_FLAGS: Final = ("contract",)
_SIZE: Final = {"float": 4, "double": 8}


class Block:
    """A block of numbers in the loop's body; arithmetic on it emits instructions."""

    def __init__(self, builder: Any, value: Any) -> None:
        self.builder, self.value = builder, value

    def __add__(self, other: Block) -> Block:
        return Block(self.builder, self.builder.fadd(self.value, other.value, flags=_FLAGS))

    def __sub__(self, other: Block) -> Block:
        return Block(self.builder, self.builder.fsub(self.value, other.value, flags=_FLAGS))

    def __mul__(self, other: Block) -> Block:
        return Block(self.builder, self.builder.fmul(self.value, other.value, flags=_FLAGS))

    def joined(self, following: Block, by: int) -> Block:
        """The block that begins `by` cells into this one and ends in the following one."""
        places = ir.Constant(ir.VectorType(ir.IntType(32), BLOCK), list(range(by, by + BLOCK)))
        return Block(self.builder, self.builder.shuffle_vector(self.value, following.value, places))


class Row:
    """One row: `row[0]` is the block at hand, `row[1]` that of the next cells; assignment stores."""

    def __init__(self, builder: Any, pointer: Any, cell: Any) -> None:
        self.builder, self.pointer, self.cell = builder, pointer, cell
        self.kind = pointer.type.pointee
        # A row begins at any cell: only the cell's own alignment is promised.
        self.align = _SIZE[str(self.kind)]

    def _at(self, shift: int) -> Any:
        place = self.builder.add(self.cell, ir.Constant(self.cell.type, shift)) if shift else self.cell
        cell = self.builder.gep(self.pointer, [place], inbounds=True)
        return self.builder.bitcast(cell, ir.VectorType(self.kind, BLOCK).as_pointer())

    def __getitem__(self, shift: int) -> Block:
        return Block(self.builder, self.builder.load(self._at(shift), align=self.align))

    def __setitem__(self, shift: int, value: Block) -> None:
        self.builder.store(value.value, self._at(shift), align=self.align)

    def alone(self) -> Block:
        """The first number, the same for all cells."""
        return _spread(self.builder, self.builder.load(self.pointer))


def _spread(builder: Any, number: Any) -> Block:
    vector = ir.VectorType(number.type, BLOCK)
    first = builder.insert_element(ir.Constant(vector, ir.Undefined), number, ir.Constant(ir.IntType(32), 0))
    zeros = ir.Constant(ir.VectorType(ir.IntType(32), BLOCK), [0] * BLOCK)
    return Block(builder, builder.shuffle_vector(first, ir.Constant(vector, ir.Undefined), zeros))


def _operation(body: Callable[..., None]) -> Any:
    """Make `body` callable from compiled code as ``body(addresses, numbers, cells)``.

    `addresses` is a tuple of rows' first cells and `numbers` a tuple of the field's type, at least one: it also tells
    the precision. The body runs for each block of the first `cells` cells, a whole number of blocks.
    """

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        addresses, numbers, cells = arguments
        kind = context.get_value_type(signature.args[1].dtype)
        unpack: Any = cgutils.unpack_tuple
        rows, scalars = unpack(builder, addresses), unpack(builder, numbers)
        name = f"{body.__name__}.{kind}"
        function = builder.module.globals.get(name)
        if function is None:
            function = _define(builder.module, name, kind, len(rows), len(scalars), body)
        pointers = [builder.inttoptr(row, kind.as_pointer()) for row in rows]
        builder.call(function, [*pointers, *scalars, cells])
        return context.get_dummy_value()

    def typed(typing: Any, addresses: Any, numbers: Any, cells: Any) -> Any:
        kinds: Any = types
        return kinds.void(addresses, numbers, kinds.intp), code

    typed.__name__ = body.__name__
    typed.__doc__ = body.__doc__
    return intrinsic(typed)


def _define(module: Any, name: str, kind: Any, rows: int, scalars: int, body: Callable[..., None]) -> Any:
    whole = ir.IntType(64)
    signature = ir.FunctionType(ir.VoidType(), [*[kind.as_pointer()] * rows, *[kind] * scalars, whole])
    function = ir.Function(module, signature, name)
    function.linkage = "internal"
    function.attributes.add("nounwind")
    for argument in function.args[:rows]:
        argument.add_attribute("noalias")
    cells = function.args[-1]
    entry, loop, done = (function.append_basic_block(part) for part in ("entry", "loop", "done"))
    builder = ir.IRBuilder(entry)
    none = ir.Constant(whole, 0)
    values = [_spread(builder, scalar) for scalar in function.args[rows : rows + scalars]]
    builder.cbranch(builder.icmp_signed("<", none, cells), loop, done)
    builder.position_at_end(loop)
    cell = builder.phi(whole)
    cell.add_incoming(none, entry)
    body(*(Row(builder, pointer, cell) for pointer in function.args[:rows]), *values)
    following = builder.add(cell, ir.Constant(whole, BLOCK), flags=("nsw",))
    cell.add_incoming(following, loop)
    builder.cbranch(builder.icmp_signed("<", following, cells), loop, done)
    builder.position_at_end(done)
    builder.ret_void()
    return function


@_operation
def magnetic(e: Row, beyond: Row, hx: Row, hz: Row, unit: Block) -> None:
    """The magnetic field beside and below each cell: ∂h = differences of e."""
    here = e[0]
    hz[0] = hz[0] + (beyond[0] - here)
    hx[0] = hx[0] + (e[1] - here)


@_operation
def electric(e: Row, keep: Row, gain: Row, hx: Row, hz: Row, before: Row, unit: Block) -> None:
    """The electric field: what is kept, and the differences of h."""
    e[0] = keep[0] * e[0] + gain[0] * ((hx[0] - hx[-1]) + (hz[0] - before[0]))


@_operation
def water_electric(
    e: Row,
    keep: Row,
    gain: Row,
    hx: Row,
    hz: Row,
    before: Row,
    bound: Row,
    relax: Row,
    hold: Block,
    pull: Block,
) -> None:
    """The electric field where water relaxes, and the part of its polarisation that the old field decides."""
    was, held = e[0], bound[0]
    e[0] = keep[0] * was + gain[0] * (((hx[0] - hx[-1]) + (hz[0] - before[0])) + pull * held)
    bound[0] = hold * held + relax[0] * was


@_operation
def settle(bound: Row, relax: Row, e: Row, unit: Block) -> None:
    """The part of the polarisation that the new field decides, once it is whole."""
    bound[0] = bound[0] + relax[0] * e[0]


@_operation
def edge_magnetic(hx: Row, e: Row, psi: Row, b: Row, c: Row, stretch: Row, unit: Block) -> None:
    """What an absorbing top or bottom changes in the magnetic field."""
    change = e[1] - e[0]
    psi[0] = b[0] * psi[0] + c[0] * change
    hx[0] = hx[0] + (stretch[0] * change + psi[0])


@_operation
def edge_electric(e: Row, gain: Row, hx: Row, psi: Row, b: Row, c: Row, stretch: Row, unit: Block) -> None:
    """What an absorbing top or bottom changes in the electric field."""
    change = hx[0] - hx[-1]
    psi[0] = b[0] * psi[0] + c[0] * change
    e[0] = e[0] + gain[0] * (stretch[0] * change + psi[0])


@_operation
def end_magnetic(hz: Row, e: Row, beyond: Row, psi: Row, b: Row, c: Row, stretch: Row, unit: Block) -> None:
    """What an absorbing end changes in the magnetic field."""
    change = beyond[0] - e[0]
    psi[0] = b.alone() * psi[0] + c.alone() * change
    hz[0] = hz[0] + (stretch.alone() * change + psi[0])


@_operation
def end_electric(e: Row, gain: Row, hz: Row, before: Row, psi: Row, b: Row, c: Row, stretch: Row, unit: Block) -> None:
    """What an absorbing end changes in the electric field."""
    change = hz[0] - before[0]
    psi[0] = b.alone() * psi[0] + c.alone() * change
    e[0] = e[0] + gain[0] * (stretch.alone() * change + psi[0])
