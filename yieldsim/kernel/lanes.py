"""Several actuations side by side: one number of each, worked on together.

A processor does the same operation on `WIDTH` numbers in the time of one. What is written with the functions of this
module, with ``&`` and ``|`` between conditions and without branches on them, means one actuation where it is handed
floats and `WIDTH` of them where it is handed lanes, to the same bits: no operation reaches across lanes, and none is
fused or reordered. Without a compiler there is one lane, a float.
"""

from __future__ import annotations

import math
import operator
from typing import Any

from yieldsim.kernel.compiled import INTERPRETED

# One register of the widest kind there is today; where there are narrower ones the compiler takes two or four.
WIDTH = 1 if INTERPRETED else 8


def choose(condition: Any, one: Any, other: Any) -> Any:
    """Return ``one`` where the condition holds, else ``other``; both are worked out."""
    return one if condition else other


def lesser(one: Any, other: Any) -> Any:
    """Return the lesser of two; ``one`` unless the other is less, as ``min`` does."""
    return other if other < one else one


def greater(one: Any, other: Any) -> Any:
    """Return the greater of two; ``one`` unless the other is greater, as ``max`` does."""
    return other if other > one else one


def magnitude(x: Any) -> Any:
    """Return the absolute value."""
    return abs(x)


def root(x: Any) -> Any:
    """Return the square root."""
    return math.sqrt(x)


def no(condition: Any) -> Any:
    """Return the opposite of a condition."""
    return not condition


def any_of(condition: Any) -> Any:
    """Whether the condition holds in any lane."""
    return bool(condition)


def load(memory: Any, place: int) -> Any:
    """Return the numbers at ``place`` of a memory (P, WIDTH), one of each lane."""
    raise NotImplementedError  # lanes are of compiled code alone


def keep(memory: Any, place: int, x: Any) -> None:
    """Put a number of each lane at ``place`` of a memory (P, WIDTH)."""
    raise NotImplementedError


def first_of(count: Any) -> Any:
    """Return the condition that holds in the first ``count`` lanes."""
    raise NotImplementedError


def is_set(condition: Any, lane: int) -> Any:
    """Whether the condition holds in one lane."""
    raise NotImplementedError


def four_at(table: Any, first: Any, pair: Any) -> Any:
    """Return, lane by lane, four numbers of ``table`` (N,) in a row: from pair number ``pair``, counted from ``first``.

    ``pair`` is a number that is cut to a whole one.
    """
    raise NotImplementedError


def whole(x: Any) -> Any:
    """Return the whole part of a number that is not negative."""
    return float(int(x))


if not INTERPRETED:
    from llvmlite import ir
    from numba import types
    from numba.core import cgutils
    from numba.core.typeconv import Conversion
    from numba.core.typing.templates import AbstractTemplate, infer_global, signature
    from numba.extending import intrinsic, lower_builtin, lower_cast, models, overload, register_model
    from numba.np.arrayobj import make_array

    _WORD, _LONG = ir.IntType(32), ir.IntType(64)
    _DOUBLES, _BITS = ir.VectorType(ir.DoubleType(), WIDTH), ir.VectorType(ir.IntType(1), WIDTH)
    _FOUR = ir.VectorType(ir.DoubleType(), 4)

    class _Lanes(types.Type):
        def __init__(self) -> None:
            super().__init__("lanes")

        def can_convert_from(self, typingctx: Any, other: Any) -> Any:
            return Conversion.safe if isinstance(other, types.Number) else None

    class _Conditions(types.Type):
        def __init__(self) -> None:
            super().__init__("conditions of lanes")

    LANES, CONDITIONS = _Lanes(), _Conditions()

    @register_model(_Lanes)
    class _LanesModel(models.PrimitiveModel):
        def __init__(self, manager: Any, kind: Any) -> None:
            super().__init__(manager, kind, _DOUBLES)

    @register_model(_Conditions)
    class _ConditionsModel(models.PrimitiveModel):
        def __init__(self, manager: Any, kind: Any) -> None:
            super().__init__(manager, kind, _BITS)

    def _word(number: int) -> Any:
        return ir.Constant(_WORD, number)

    @lower_cast(types.Number, _Lanes)
    def _spread(context: Any, builder: Any, kind: Any, _: Any, value: Any) -> Any:
        """One number in every lane."""
        value = context.cast(builder, value, kind, types.float64)
        nothing = ir.Constant(_DOUBLES, ir.Undefined)
        first = builder.insert_element(nothing, value, _word(0))
        return builder.shuffle_vector(first, nothing, ir.Constant(ir.VectorType(_WORD, WIDTH), [0] * WIDTH))

    def _operator(function: Any, operand: Any, result: Any, lower: Any) -> None:
        """Let an operator work on lanes; a plain number beside one stands in every lane."""

        @infer_global(function)
        class _Template(AbstractTemplate):
            def generic(self, args: Any, kws: Any) -> Any:
                if operand not in args or any(a != operand and not isinstance(a, types.Number) for a in args):
                    return None
                return signature(result, *([operand] * len(args)))

        lower_builtin(function, *([type(operand)] * (1 if function is operator.neg else 2)))(
            lambda context, builder, sig, args: lower(builder, *args)
        )

    for _name, _function in (("fadd", "add"), ("fsub", "sub"), ("fmul", "mul"), ("fdiv", "truediv")):
        for _kind in (_function, f"i{_function}"):
            _operator(getattr(operator, _kind), LANES, LANES, lambda b, x, y, name=_name: getattr(b, name)(x, y))
    for _name, _function in (("<", "lt"), ("<=", "le"), (">", "gt"), (">=", "ge"), ("==", "eq")):
        _operator(
            getattr(operator, _function), LANES, CONDITIONS, lambda b, x, y, name=_name: b.fcmp_ordered(name, x, y)
        )
    _operator(operator.neg, LANES, LANES, lambda b, x: b.fneg(x))
    _operator(operator.and_, CONDITIONS, CONDITIONS, lambda b, x, y: b.and_(x, y))
    _operator(operator.or_, CONDITIONS, CONDITIONS, lambda b, x, y: b.or_(x, y))

    def _call(builder: Any, name: str, value: Any) -> Any:
        kind = ir.FunctionType(_DOUBLES, [_DOUBLES])
        name = f"llvm.{name}.v{WIDTH}f64"
        return builder.call(cgutils.get_or_insert_function(builder.module, kind, name), [value])

    def _joined(builder: Any, kind: Any, values: Any) -> Any:
        found = ir.Constant(kind, ir.Undefined)
        for k, value in enumerate(values):
            found = builder.insert_element(found, value, _word(k))
        return found

    @intrinsic
    def _select(typingctx: Any, condition: Any, one: Any, other: Any) -> Any:
        return LANES(CONDITIONS, LANES, LANES), lambda context, builder, sig, args: builder.select(*args)

    @intrinsic
    def _magnitude(typingctx: Any, x: Any) -> Any:
        return LANES(LANES), lambda context, builder, sig, args: _call(builder, "fabs", args[0])

    @intrinsic
    def _root(typingctx: Any, x: Any) -> Any:
        return LANES(LANES), lambda context, builder, sig, args: _call(builder, "sqrt", args[0])

    @intrinsic
    def _whole(typingctx: Any, x: Any) -> Any:
        return LANES(LANES), lambda context, builder, sig, args: _call(builder, "trunc", args[0])

    @intrinsic
    def _no(typingctx: Any, condition: Any) -> Any:
        return CONDITIONS(CONDITIONS), lambda context, builder, sig, args: builder.not_(args[0])

    @intrinsic
    def _any_of(typingctx: Any, condition: Any) -> Any:
        def generate(context: Any, builder: Any, sig: Any, args: Any) -> Any:
            bits = ir.IntType(WIDTH)
            return builder.icmp_unsigned("!=", builder.bitcast(args[0], bits), ir.Constant(bits, 0))

        return types.boolean(CONDITIONS), generate

    @intrinsic
    def _is_set(typingctx: Any, condition: Any, lane: Any) -> Any:
        return types.boolean(CONDITIONS, types.intp), lambda context, builder, sig, args: builder.extract_element(*args)

    @intrinsic
    def _numbers(typingctx: Any) -> Any:
        return LANES(), lambda context, builder, sig, args: ir.Constant(_DOUBLES, [float(k) for k in range(WIDTH)])

    def _row(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        """Address of a row of a memory (P, WIDTH)."""
        data = make_array(sig.args[0])(context, builder, args[0]).data
        place = builder.gep(data, [builder.mul(args[1], ir.Constant(_LONG, WIDTH))])
        return builder.bitcast(place, _DOUBLES.as_pointer())

    @intrinsic
    def _load(typingctx: Any, memory: Any, place: Any) -> Any:
        def generate(context: Any, builder: Any, sig: Any, args: Any) -> Any:
            return builder.load(_row(context, builder, sig, args), align=8)

        return LANES(memory, types.intp), generate

    @intrinsic
    def _keep(typingctx: Any, memory: Any, place: Any, x: Any) -> Any:
        def generate(context: Any, builder: Any, sig: Any, args: Any) -> Any:
            builder.store(args[2], _row(context, builder, sig, args), align=8)
            return context.get_dummy_value()

        return types.void(memory, types.intp, LANES), generate

    @intrinsic
    def _four_at(typingctx: Any, table: Any, first: Any, pair: Any) -> Any:
        def generate(context: Any, builder: Any, sig: Any, args: Any) -> Any:
            data = make_array(sig.args[0])(context, builder, args[0]).data
            begin = builder.gep(data, [args[1]])
            kind = ir.VectorType(_LONG, WIDTH)
            two = ir.Constant(kind, [1] * WIDTH)
            places = builder.shl(builder.fptosi(args[2], kind), two)
            fours = []
            for k in range(WIDTH):
                place = builder.gep(begin, [builder.extract_element(places, _word(k))])
                fours.append(builder.load(builder.bitcast(place, _FOUR.as_pointer()), align=8))
            found = [
                _joined(builder, _DOUBLES, [builder.extract_element(four, _word(j)) for four in fours])
                for j in range(4)
            ]
            return context.make_tuple(builder, sig.return_type, found)

        return types.UniTuple(LANES, 4)(table, types.intp, LANES), generate

    def _of_lanes(kind: Any) -> bool:
        return kind in (LANES, CONDITIONS)

    # each function in its two forms: of lanes, and of plain numbers
    INLINE: Any = {"_nrt": False, "forceinline": True}

    @overload(choose, jit_options=INLINE)
    def _(condition, one, other):
        if _of_lanes(condition):
            return lambda condition, one, other: _select(condition, one, other)
        return lambda condition, one, other: one if condition else other

    @overload(lesser, jit_options=INLINE)
    def _(one, other):
        return lambda one, other: choose(other < one, other, one)

    @overload(greater, jit_options=INLINE)
    def _(one, other):
        return lambda one, other: choose(other > one, other, one)

    @overload(magnitude, jit_options=INLINE)
    def _(x):
        return (lambda x: _magnitude(x)) if _of_lanes(x) else (lambda x: abs(x))

    @overload(root, jit_options=INLINE)
    def _(x):
        return (lambda x: _root(x)) if _of_lanes(x) else (lambda x: math.sqrt(x))

    @overload(whole, jit_options=INLINE)
    def _(x):
        return (lambda x: _whole(x)) if _of_lanes(x) else (lambda x: float(int(x)))

    @overload(no, jit_options=INLINE)
    def _(condition):
        return (lambda condition: _no(condition)) if _of_lanes(condition) else (lambda condition: not condition)

    @overload(any_of, jit_options=INLINE)
    def _(condition):
        return (lambda condition: _any_of(condition)) if _of_lanes(condition) else (lambda condition: condition)

    # these are asked of lanes alone
    @overload(four_at, jit_options=INLINE)
    def _(table, first, pair):
        return lambda table, first, pair: _four_at(table, first, pair)

    @overload(is_set, jit_options=INLINE)
    def _(condition, lane):
        return lambda condition, lane: _is_set(condition, lane)

    @overload(first_of, jit_options=INLINE)
    def _(count):
        return lambda count: _numbers() < count

    @overload(load, jit_options=INLINE)
    def _(memory, place):
        return lambda memory, place: _load(memory, place)

    @overload(keep, jit_options=INLINE)
    def _(memory, place, x):
        return lambda memory, place, x: _keep(memory, place, x)
