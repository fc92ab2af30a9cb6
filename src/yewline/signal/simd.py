"""One operation on eight numbers at a time that the compiler does not find by itself."""

from __future__ import annotations

from typing import Any

from llvmlite import ir  # type: ignore[import-untyped]
from numba import types
from numba.extending import intrinsic

__all__ = ["weigh_eight_rows"]

_EIGHT = ir.VectorType(ir.FloatType(), 8)
_FUSED = ("contract",)


def _weigh_eight_rows(typing: Any, rows: Any, low: Any, high: Any, share: Any) -> Any:
    """Σ_i w_i · rows[i, :] over 8 rows of 4 float32, with weights w = low + share · (high − low).

    `rows`, `low` and `high` are addresses of contiguous float32: the caller keeps them inside their arrays. Returns
    four float32. Vectors of eight are plain LLVM and lowered to what the machine has.
    """
    kinds: Any = types
    signature = kinds.UniTuple(kinds.float32, 4)(kinds.intp, kinds.intp, kinds.intp, kinds.float32)

    def load(builder: Any, address: Any, eights: int) -> Any:
        at = builder.add(address, ir.Constant(address.type, 32 * eights))
        # float32 arrays promise no more than four bytes of alignment.
        return builder.load(builder.inttoptr(at, _EIGHT.as_pointer()), align=4)

    def shuffled(builder: Any, vector: Any, order: list[int]) -> Any:
        mask = ir.Constant(ir.VectorType(ir.IntType(32), len(order)), order)
        return builder.shuffle_vector(vector, ir.Constant(vector.type, ir.Undefined), mask)

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        rows_at, low_at, high_at, part = arguments
        one = builder.insert_element(ir.Constant(_EIGHT, ir.Undefined), part, ir.Constant(ir.IntType(32), 0))
        share_eight = shuffled(builder, one, [0] * 8)
        first = load(builder, low_at, 0)
        step = builder.fsub(load(builder, high_at, 0), first, flags=_FUSED)
        weights = builder.fadd(first, builder.fmul(share_eight, step, flags=_FUSED), flags=_FUSED)
        total = None
        for pair in range(4):
            spread = shuffled(builder, weights, [2 * pair] * 4 + [2 * pair + 1] * 4)
            product = builder.fmul(spread, load(builder, rows_at, pair), flags=_FUSED)
            total = product if total is None else builder.fadd(total, product, flags=_FUSED)
        four = builder.fadd(
            shuffled(builder, total, [0, 1, 2, 3]), shuffled(builder, total, [4, 5, 6, 7]), flags=_FUSED
        )
        parts = [builder.extract_element(four, ir.Constant(ir.IntType(32), i)) for i in range(4)]
        return context.make_tuple(builder, signature.return_type, parts)

    return signature, code


weigh_eight_rows: Any = intrinsic(_weigh_eight_rows)
