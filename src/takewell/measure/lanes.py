"""How does one compiled loop work on several channels at once without writing it once per channel count?

A numba value type ``Lanes(n)``: n float64 side by side, one per channel, held in vector registers. Loops written
with it read like loops over one channel; n is a constant of compilation, taken from the length of the tuple of
zeros that every loop gets as its first argument, `proto`. Arrays are flat float64: row r of n lanes lies at ``r * n``.

Multiplications and additions may contract to fused ones; nothing else is relaxed, so NaN and infinity
behave as IEEE 754 says.
"""

import operator
from collections.abc import Callable
from typing import Any

from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.core.imputils import lower_builtin
from numba.core.typing.templates import AbstractTemplate, infer_global, signature
from numba.extending import intrinsic, models, register_model

TWO = (0, 0)
FOUR = (0, 0, 0, 0)
"""The prototypes for channels; wider ones spill the registers of the long loop and were slower where measured."""

SIXTEEN = (0,) * 16
"""The prototype for short loops along the time of one channel."""


class LanesType(types.Type):
    """The numba type of n float64 lanes."""

    def __init__(self, count: int) -> None:
        self.count = count
        super().__init__(name=f"Lanes({count})")


@register_model(LanesType)
class _LanesModel(models.PrimitiveModel):
    def __init__(self, manager: Any, lanes: LanesType) -> None:
        super().__init__(manager, lanes, ir.VectorType(ir.DoubleType(), lanes.count))


def _arithmetic(symbol: Any, instruction: str) -> None:
    """Give two lane values the operator `symbol`, lowered to one instruction."""

    class Template(AbstractTemplate):
        def generic(self, args: Any, kws: Any) -> Any:  # noqa: ARG002 (numba passes both)
            if len(args) == 2 and isinstance(args[0], LanesType) and args[0] == args[1]:
                return signature(args[0], *args)
            return None

    infer_global(symbol)(Template)

    def lower(context: Any, builder: Any, sig: Any, args: Any) -> Any:  # noqa: ARG001
        return getattr(builder, instruction)(args[0], args[1], flags=("contract",))

    lower_builtin(symbol, LanesType, LanesType)(lower)


_arithmetic(operator.add, "fadd")
_arithmetic(operator.sub, "fsub")
_arithmetic(operator.mul, "fmul")


def _address(context: Any, builder: Any, array_type: Any, array: Any, index: Any, vector: Any) -> Any:
    data = context.make_array(array_type)(context, builder, array).data
    return builder.bitcast(builder.gep(data, [index]), vector.as_pointer())


def _absolute(builder: Any, value: Any) -> Any:
    kind = ir.FunctionType(value.type, [value.type])
    name = f"llvm.fabs.v{value.type.count}f64"
    return builder.call(cgutils.get_or_insert_function(builder.module, kind, name), [value])


def _folded(builder: Any, value: Any, join: Callable[[Any, Any], Any]) -> Any:
    """Return one element joined from all lanes, half against half."""
    count = value.type.count
    while count > 1:
        count //= 2
        low, high = (
            builder.shuffle_vector(
                value,
                value,
                ir.Constant(ir.VectorType(ir.IntType(32), count), list(range(first, first + count))),
            )
            for first in (0, count)
        )
        value = join(low, high)
    return builder.extract_element(value, ir.Constant(ir.IntType(32), 0))


def _load(_typing: Any, proto: Any, array: Any, index: Any) -> tuple[Any, Callable[..., Any]]:
    """Return the lanes at ``array[index:]``; float32 elements are widened."""
    lanes = LanesType(proto.count)
    single = array.dtype == types.float32

    def emit(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        wide = context.get_value_type(lanes)
        stored = ir.VectorType(ir.FloatType(), lanes.count) if single else wide
        address = _address(context, builder, sig.args[1], args[1], args[2], stored)
        value = builder.load(address, align=4 if single else 8)
        return builder.fpext(value, wide) if single else value

    return lanes(proto, array, index), emit


load: Any = intrinsic(_load)


def _store(_typing: Any, array: Any, index: Any, value: Any) -> tuple[Any, Callable[..., Any]]:
    """Write lanes to ``array[index:]``."""

    def emit(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        address = _address(context, builder, sig.args[0], args[0], args[1], args[2].type)
        builder.store(args[2], address, align=8)
        return context.get_dummy_value()

    return types.void(array, index, value), emit


store: Any = intrinsic(_store)


def _splat(_typing: Any, proto: Any, value: Any) -> tuple[Any, Callable[..., Any]]:
    """Return lanes that all hold `value`."""
    del value
    lanes = LanesType(proto.count)

    def emit(context: Any, builder: Any, sig: Any, args: Any) -> Any:  # noqa: ARG001
        vector = ir.Constant(context.get_value_type(lanes), ir.Undefined)
        for k in range(lanes.count):
            vector = builder.insert_element(vector, args[1], ir.Constant(ir.IntType(32), k))
        return vector

    return lanes(proto, types.float64), emit


splat: Any = intrinsic(_splat)


def _magnitude(_typing: Any, value: Any) -> tuple[Any, Callable[..., Any]]:
    """Return the absolute value of every lane."""

    def emit(_context: Any, builder: Any, _sig: Any, args: Any) -> Any:
        return _absolute(builder, args[0])

    return value(value), emit


magnitude: Any = intrinsic(_magnitude)


def _selection(comparison: str) -> Any:
    @intrinsic
    def choose(_typing: Any, a: Any, b: Any) -> tuple[Any, Callable[..., Any]]:
        def emit(_context: Any, builder: Any, _sig: Any, args: Any) -> Any:
            return builder.select(builder.fcmp_ordered(comparison, args[0], args[1]), args[0], args[1])

        return a(a, b), emit

    return choose


larger = _selection(">")
"""Return the larger of two lanes each; the second where either is NaN."""

smaller = _selection("<")
"""Return the smaller of two lanes each; the second where either is NaN."""


def _zero_below(_typing: Any, value: Any, limit: Any) -> tuple[Any, Callable[..., Any]]:
    """Return `value` where its magnitude reaches `limit`, else zero (also for NaN)."""

    def emit(_context: Any, builder: Any, _sig: Any, args: Any) -> Any:
        high = builder.fcmp_ordered(">=", _absolute(builder, args[0]), args[1])
        return builder.select(high, args[0], ir.Constant(args[0].type, None))

    return value(value, limit), emit


zero_below: Any = intrinsic(_zero_below)


def _where_least(_typing: Any, test: Any, value: Any) -> tuple[Any, Callable[..., Any]]:
    """Return `value` where `test` is zero or below, else zero."""

    def emit(_context: Any, builder: Any, _sig: Any, args: Any) -> Any:
        zero = ir.Constant(args[0].type, None)
        return builder.select(builder.fcmp_ordered("<=", args[0], zero), args[1], zero)

    return value(test, value), emit


where_least: Any = intrinsic(_where_least)


def _total(_typing: Any, value: Any) -> tuple[Any, Callable[..., Any]]:
    """Return the sum of all lanes."""

    def emit(_context: Any, builder: Any, _sig: Any, args: Any) -> Any:
        return _folded(builder, args[0], builder.fadd)

    return types.float64(value), emit


total: Any = intrinsic(_total)


def _highest(_typing: Any, value: Any) -> tuple[Any, Callable[..., Any]]:
    """Return the largest lane."""

    def emit(_context: Any, builder: Any, _sig: Any, args: Any) -> Any:
        def join(a: Any, b: Any) -> Any:
            return builder.select(builder.fcmp_ordered(">", a, b), a, b)

        return _folded(builder, args[0], join)

    return types.float64(value), emit


highest: Any = intrinsic(_highest)
