"""Transposing small blocks in vector registers, which the compiler does not do by itself."""

from __future__ import annotations

from typing import Any

from llvmlite import ir  # type: ignore[import-untyped]
from numba import types
from numba.extending import intrinsic

SIDE = 8
"""Rows and columns of a block."""


@intrinsic
def transpose_block(typing: Any, source: Any, start: Any, stride: Any, target: Any, begin: Any, step: Any) -> Any:
    """target[begin + i step + j] = source[start + j stride + i] for i, j < SIDE; flat arrays of one type. Compiled code only."""
    signature = types.void(source, types.intp, types.intp, target, types.intp, types.intp)

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        element = context.get_value_type(signature.args[0].dtype)
        vector, align = ir.VectorType(element, SIDE), context.get_abi_sizeof(element)
        pointers = [context.make_array(signature.args[n])(context, builder, arguments[n]).data for n in (0, 3)]

        def place(pointer: Any, first: Any, stride: Any, row: int) -> Any:
            offset = builder.add(first, builder.mul(stride, ir.Constant(stride.type, row)))
            return builder.bitcast(builder.gep(pointer, [offset]), vector.as_pointer())

        rows = []
        for row in range(SIDE):
            rows.append(builder.load(place(pointers[0], arguments[1], arguments[2], row), align=align, typ=vector))
        # three rounds of exchanging halves, quarters and eighths between rows 4, 2 and 1 apart
        for apart in (4, 2, 1):
            low = [i + (SIDE if i & apart else 0) - (apart if i & apart else 0) for i in range(SIDE)]
            high = [i + apart if not i & apart else i + SIDE for i in range(SIDE)]
            rows = _exchange(builder, rows, apart, low, high)
        for row in range(SIDE):
            builder.store(rows[row], place(pointers[1], arguments[4], arguments[5], row), align=align)
        return context.get_dummy_value()

    return signature, generate


def _exchange(builder: Any, rows: list[Any], apart: int, low: list[int], high: list[int]) -> list[Any]:
    masks = [ir.Constant(ir.VectorType(ir.IntType(32), SIDE), m) for m in (low, high)]
    out = list(rows)
    for i in range(SIDE):
        if not i & apart:
            out[i] = builder.shuffle_vector(rows[i], rows[i + apart], masks[0])
            out[i + apart] = builder.shuffle_vector(rows[i], rows[i + apart], masks[1])
    return out
