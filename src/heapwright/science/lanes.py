"""Eight numbers that are reckoned with as one, for compiled code.

Processors add, multiply and divide several numbers in one instruction; compilers find such
chances in short loops only, not in the equations of a pile. Here is a type for it: within
functions compiled by Numba, :class:`Lanes` are used as a plain float is (``+``, ``-``, ``*``,
``/``, ``min``, ``max``, ``math.sqrt``, ``math.exp``, ``math.log``), and each lane is what the
same operations give for a float. A processor whose registers hold fewer than eight splits them.

Multiplications and additions may be fused. The exponential is right to about 1e-15 of itself
between -700 and 700 and is cut off beyond; the logarithm to about 1e-14, for arguments above
zero.
"""

from __future__ import annotations

import math
import operator
from collections.abc import Callable
from typing import Any, Final

from llvmlite import ir
from numba.core import types
from numba.core.datamodel import models
from numba.core.typing.templates import signature
from numba.extending import intrinsic, lower_builtin, register_model, type_callable

WIDTH: Final = 8

_DOUBLE: Final = ir.DoubleType()
_VECTOR: Final = ir.VectorType(_DOUBLE, WIDTH)
_WHOLE: Final = ir.VectorType(ir.IntType(64), WIDTH)
_FUSED: Final = ("contract", "nsz")


class Lanes(types.Type):
    """Eight floats side by side."""

    def __init__(self) -> None:
        super().__init__(name=f"Lanes{WIDTH}")


lanes: Final = Lanes()


@register_model(Lanes)
class _LanesModel(models.PrimitiveModel):
    def __init__(self, manager: Any, of: Lanes) -> None:
        super().__init__(manager, of, _VECTOR)


def _constant(value: float) -> ir.Constant:
    return ir.Constant(_VECTOR, [value] * WIDTH)


def _whole(value: int) -> ir.Constant:
    return ir.Constant(_WHOLE, [value] * WIDTH)


def _spread(context: Any, builder: ir.IRBuilder, of: types.Type, value: Any) -> Any:
    """Return a value in all lanes."""
    if isinstance(of, Lanes):
        return value
    value = context.cast(builder, value, of, types.float64)
    first = builder.insert_element(
        ir.Constant(_VECTOR, ir.Undefined), value, ir.Constant(ir.IntType(32), 0)
    )
    zeros = ir.Constant(ir.VectorType(ir.IntType(32), WIDTH), [0] * WIDTH)
    return builder.shuffle_vector(first, first, zeros)


def _call(builder: ir.IRBuilder, name: str, *values: Any) -> Any:
    """Call an intrinsic of LLVM on vectors."""
    of = ir.FunctionType(_VECTOR, [_VECTOR] * len(values))
    function = builder.module.globals.get(name)
    if function is None:
        function = ir.Function(builder.module, of, name)
    return builder.call(function, values)


def _add(builder: ir.IRBuilder, a: Any, b: Any) -> Any:
    return builder.fadd(a, b, flags=_FUSED)


def _times(builder: ir.IRBuilder, a: Any, b: Any) -> Any:
    return builder.fmul(a, b, flags=_FUSED)


def _less(builder: ir.IRBuilder, a: Any, b: Any) -> Any:
    """Return the lesser, ``a`` where they cannot be compared."""
    return builder.select(builder.fcmp_ordered("<", b, a), b, a)


def _greater(builder: ir.IRBuilder, a: Any, b: Any) -> Any:
    return builder.select(builder.fcmp_ordered(">", b, a), b, a)


def _typed(function: Callable[..., Any], count: int) -> None:
    """Let a function of one or two take lanes, or lanes and numbers, and give lanes."""

    @type_callable(function)
    def of(_context: Any) -> Callable[..., Any]:
        def one(a: types.Type) -> types.Type | None:
            return lanes if isinstance(a, Lanes) else None

        def two(a: types.Type, b: types.Type) -> types.Type | None:
            fit = all(isinstance(side, Lanes | types.Number) for side in (a, b))
            return lanes if fit and lanes in (a, b) else None

        return one if count == 1 else two


def _binary(function: Callable[..., Any], made: Callable[[Any, Any, Any], Any]) -> None:
    _typed(function, 2)

    def lower(context: Any, builder: ir.IRBuilder, sig: Any, args: Any) -> Any:
        a, b = (_spread(context, builder, of, one) for of, one in zip(sig.args, args, strict=True))
        return made(builder, a, b)

    for sides in ((Lanes, Lanes), (Lanes, types.Number), (types.Number, Lanes)):
        lower_builtin(function, *sides)(lower)


def _unary(function: Callable[..., Any], made: Callable[[Any, Any], Any]) -> None:
    _typed(function, 1)

    @lower_builtin(function, Lanes)
    def lower(_context: Any, builder: ir.IRBuilder, _sig: Any, args: Any) -> Any:
        return made(builder, args[0])


_SUFFIX: Final = f"v{WIDTH}f64"

_ARITHMETIC: Final = (
    ((operator.add, operator.iadd), _add),
    ((operator.sub, operator.isub), lambda builder, a, b: builder.fsub(a, b, flags=_FUSED)),
    ((operator.mul, operator.imul), _times),
    ((operator.truediv, operator.itruediv), lambda builder, a, b: builder.fdiv(a, b, flags=_FUSED)),
)
for functions, made in _ARITHMETIC:
    for function in functions:
        _binary(function, made)
_binary(min, _less)
_binary(max, _greater)
_unary(operator.neg, lambda builder, a: builder.fneg(a))
_unary(abs, lambda builder, a: _call(builder, f"llvm.fabs.{_SUFFIX}", a))
_unary(math.sqrt, lambda builder, a: _call(builder, f"llvm.sqrt.{_SUFFIX}", a))


# Exponential: x = k ln 2 + r, exp x = 2**k exp r, with the series of exp r to r**12.

_LOG2_E: Final = 1.4426950408889634
_LN2_HIGH: Final = 6.93147180369123816490e-01  # its last 21 bits are zero: k times it is exact
_LN2_LOW: Final = 1.90821492927058770002e-10
_MOST: Final = 700.0
_EXP_TERMS: Final = 12


def _series(builder: ir.IRBuilder, x: Any, terms: list[float]) -> Any:
    """Return a polynomial by Horner's rule, the constant first."""
    found: Any = _constant(terms[-1])
    for one in reversed(terms[:-1]):
        found = _add(builder, _times(builder, found, x), _constant(one))
    return found


def _exp(builder: ir.IRBuilder, x: Any) -> Any:
    x = _greater(builder, _less(builder, x, _constant(_MOST)), _constant(-_MOST))
    k = _call(builder, f"llvm.rint.{_SUFFIX}", _times(builder, x, _constant(_LOG2_E)))
    r = builder.fsub(x, _times(builder, k, _constant(_LN2_HIGH)), flags=_FUSED)
    r = builder.fsub(r, _times(builder, k, _constant(_LN2_LOW)), flags=_FUSED)
    p = _series(builder, r, [1.0 / math.factorial(i) for i in range(_EXP_TERMS + 1)])
    power = builder.shl(builder.add(builder.fptosi(k, _WHOLE), _whole(1023)), _whole(52))
    return _times(builder, p, builder.bitcast(power, _VECTOR))


# Logarithm: x = 2**k m with m between sqrt(1/2) and sqrt 2, s = (m - 1) / (m + 1),
# ln m = 2 (s + s**3/3 + s**5/5 + ...).

_LOG_TERMS: Final = 10
_MANTISSA: Final = (1 << 52) - 1
_SQRT_HALF_BITS: Final = 0x3FE6A09E667F3BCD


def _log(builder: ir.IRBuilder, x: Any) -> Any:
    bits = builder.bitcast(x, _WHOLE)
    from_half = builder.sub(bits, _whole(_SQRT_HALF_BITS))
    k = builder.ashr(from_half, _whole(52))
    m = builder.bitcast(builder.sub(bits, builder.shl(k, _whole(52))), _VECTOR)
    one = _constant(1.0)
    s = builder.fdiv(builder.fsub(m, one, flags=_FUSED), _add(builder, m, one), flags=_FUSED)
    terms = [2.0 / (2 * i + 1) for i in range(_LOG_TERMS + 1)]
    p = _times(builder, s, _series(builder, _times(builder, s, s), terms))
    whole = builder.sitofp(k, _VECTOR)
    low = _add(builder, p, _times(builder, whole, _constant(_LN2_LOW)))
    return _add(builder, low, _times(builder, whole, _constant(_LN2_HIGH)))


_unary(math.exp, _exp)
_unary(math.log, _log)


# Between lanes and arrays


def _generated(function: Callable[..., Any]) -> Any:
    """Return what compiled code calls and Numba asks to write its instructions."""
    return intrinsic(function)


def _place(context: Any, builder: ir.IRBuilder, of: Any, array: Any, i: Any = None) -> Any:
    """Return the address of a row of a contiguous (rows, WIDTH) array, of the first left out."""
    data = context.make_array(of)(context, builder, array).data
    first = builder.bitcast(data, _VECTOR.as_pointer())
    return first if i is None else builder.gep(first, [i], inbounds=True)


def _index(context: Any, builder: ir.IRBuilder, sig: Any, args: Any) -> Any:
    return context.cast(builder, args[1], sig.args[1], types.intp)


@_generated
def row(_context: Any, array: types.Type, i: types.Type) -> Any:
    """Return a row of a contiguous array (rows, WIDTH) of floats."""

    def generate(context: Any, builder: ir.IRBuilder, sig: Any, args: Any) -> Any:
        place = _place(context, builder, sig.args[0], args[0], _index(context, builder, sig, args))
        return builder.load(place, align=8)

    return signature(lanes, array, i), generate


@_generated
def put(_context: Any, array: types.Type, i: types.Type, value: types.Type) -> Any:
    """Put lanes, or a number for all of them, into a row of an array (rows, WIDTH) of floats."""

    def generate(context: Any, builder: ir.IRBuilder, sig: Any, args: Any) -> Any:
        spread = _spread(context, builder, sig.args[2], args[2])
        place = _place(context, builder, sig.args[0], args[0], _index(context, builder, sig, args))
        builder.store(spread, place, align=8)
        return context.get_dummy_value()

    return signature(types.none, array, i, value), generate


@_generated
def where_less(_context: Any, a: types.Type, b: types.Type, x: types.Type, y: types.Type) -> Any:
    """Return ``x`` where ``a`` is less than ``b``, else ``y``, in every lane."""

    def generate(context: Any, builder: ir.IRBuilder, sig: Any, args: Any) -> Any:
        u, v, p, q = (
            _spread(context, builder, of, one) for of, one in zip(sig.args, args, strict=True)
        )
        return builder.select(builder.fcmp_ordered("<", u, v), p, q)

    return signature(lanes, a, b, x, y), generate


@_generated
def rows_as(_context: Any, array: types.Type, kind: Any) -> Any:
    """Return the first rows of an array (rows, WIDTH) of floats as a named tuple of lanes."""
    fields = kind.instance_class._fields
    made = types.NamedUniTuple(lanes, len(fields), kind.instance_class)

    def generate(context: Any, builder: ir.IRBuilder, sig: Any, args: Any) -> Any:
        place = _place(context, builder, sig.args[0], args[0])
        values = [
            builder.load(builder.gep(place, [ir.Constant(ir.IntType(64), i)]), align=8)
            for i in range(len(fields))
        ]
        return context.make_tuple(builder, sig.return_type, values)

    return signature(made, array, kind), generate


@_generated
def put_all(_context: Any, array: types.Type, values: types.Type) -> Any:
    """Put a tuple of lanes into the first rows of an array (rows, WIDTH) of floats."""

    def generate(context: Any, builder: ir.IRBuilder, sig: Any, args: Any) -> Any:
        place = _place(context, builder, sig.args[0], args[0])
        for i in range(len(sig.args[1])):
            value = builder.extract_value(args[1], i)
            builder.store(value, builder.gep(place, [ir.Constant(ir.IntType(64), i)]), align=8)
        return context.get_dummy_value()

    return signature(types.none, array, values), generate
