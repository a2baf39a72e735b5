"""Many pairs at once: one query against W candidates in lock step, one candidate per vector lane.

A single pair cannot fill a vector register along a row, because each cell needs the one before
it. W candidates laid side by side ("lanes", arrays of shape (L, W)) can: cell (i, j) of all of
them is computed by the same few vector instructions, and nothing has to be re-ordered.

The row loop is written out as vector instructions (numba's ``intrinsic``) rather than left to the
compiler: the cell to the left must stay in a register, and a loop that silently stops
vectorising is nine times slower. ``sweep_f64`` is exact; ``sweep_i16`` packs twice to four times
as many candidates into a register by counting in 16-bit saturating whole numbers, and its result
is a proven lower bound (see ``lockstep``). Without the compiler
(``NUMBA_DISABLE_JIT=1``) the loops of ``plain``, where each function is described, do the same.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from llvmlite import ir
from numba import config, types
from numba.core import cgutils
from numba.extending import intrinsic

from . import plain
from .plain import CHUNK, TOP16, WIDE16


@dataclass(frozen=True)
class _Float64:
    """How the sweep counts in float64."""

    element = ir.DoubleType()
    scalar = types.float64
    align = 8
    width = 4
    registers = 4
    top = float("inf")

    def cost(self, build: Any, a: Any, b: Any) -> Any:
        difference = build.fsub(a, b)
        return build.fmul(difference, difference)

    def add(self, build: Any, a: Any, b: Any) -> Any:
        return build.fadd(a, b)

    def smaller(self, build: Any, a: Any, b: Any) -> Any:
        return build.select(build.fcmp_ordered("<", a, b), a, b)


@dataclass(frozen=True)
class _Int16:
    """How the sweep counts in 16 bits: cost = floor((4 * difference)^2 / 65536), saturating."""

    element = ir.IntType(16)
    scalar = types.int16
    align = 2
    width = 16
    registers = 2
    top = TOP16

    def cost(self, build: Any, a: Any, b: Any) -> Any:
        d = self.saturating(build, "ssub", a, b)
        d = self.saturating(build, "sadd", d, d)
        d = self.saturating(build, "sadd", d, d)
        wide = build.sext(d, ir.VectorType(ir.IntType(32), self.width))
        square = build.mul(wide, wide)
        sixteen = ir.Constant(square.type, [16] * self.width)
        return build.trunc(build.lshr(square, sixteen), d.type)

    def add(self, build: Any, a: Any, b: Any) -> Any:
        return self.saturating(build, "sadd", a, b)

    def smaller(self, build: Any, a: Any, b: Any) -> Any:
        return build.select(build.icmp_signed("<", a, b), a, b)

    def larger(self, build: Any, a: Any, b: Any) -> Any:
        return build.select(build.icmp_signed(">", a, b), a, b)

    def saturating(self, build: Any, name: str, a: Any, b: Any) -> Any:
        kind = ir.FunctionType(a.type, [a.type, a.type])
        full = f"llvm.{name}.sat.v{self.width}i16"
        return build.call(cgutils.get_or_insert_function(build.module, kind, full), [a, b])


class _Row:
    """What both loops over the cells of one row need: places in lane arrays, broadcasting."""

    def __init__(self, context: Any, build: Any, how: Any) -> None:
        self.context, self.build, self.how = context, build, how
        self.vector = ir.VectorType(how.element, how.width)

    def _data(self, kind: Any, value: Any) -> Any:
        return self.context.make_array(kind)(self.context, self.build, value).data

    def _splat(self, value: Any) -> Any:
        none = ir.Constant(self.vector, ir.Undefined)
        zeros = ir.Constant(ir.VectorType(ir.IntType(32), self.how.width), [0] * self.how.width)
        one = self.build.insert_element(none, value, ir.Constant(ir.IntType(32), 0))
        return self.build.shuffle_vector(one, none, zeros)

    def _place(self, base: Any, row: Any, register: int) -> Any:
        lanes = self.how.width * self.how.registers
        first = self.build.mul(row, ir.Constant(row.type, lanes))
        at = self.build.add(first, ir.Constant(row.type, register * self.how.width))
        return self._pointer(base, at)

    def _pointer(self, base: Any, at: Any) -> Any:
        return self.build.bitcast(self.build.gep(base, [at]), self.vector.as_pointer())

    def _load_at(self, base: Any, at: Any) -> Any:
        return self.build.load(self._pointer(base, at), align=self.how.align)

    def _load(self, base: Any, row: Any, register: int) -> Any:
        return self.build.load(self._place(base, row, register), align=self.how.align)

    def _store(self, value: Any, base: Any, row: Any, register: int) -> None:
        self.build.store(value, self._place(base, row, register), align=self.how.align)


class _Sweep(_Row):
    """Emits ``sweep_*``: one row of the table of accumulated costs, for all lanes, in place."""

    def emit(self, kinds: Any, args: Any) -> None:
        self.table, self.other = self._data(kinds[0], args[0]), self._data(kinds[2], args[2])
        self.extra = None if kinds[1] == types.none else self._data(kinds[1], args[1])
        self.value, self.start, self.stop = self._splat(args[3]), args[4], args[5]
        build, registers = self.build, range(self.how.registers)
        corner = [self._load(self.table, self.start, u) for u in registers]
        top = self._splat(ir.Constant(self.how.element, self.how.top))
        before, body, after = (build.block, build.append_basic_block("cells"),
                               build.append_basic_block("cells_end"))  # fmt: skip
        build.cbranch(build.icmp_signed("<", self.start, self.stop), body, after)
        build.position_at_end(body)
        column = build.phi(self.start.type)
        diagonal = [build.phi(self.vector) for _ in registers]
        left = [build.phi(self.vector) for _ in registers]
        following = build.add(column, ir.Constant(column.type, 1))
        up = [self._load(self.table, following, u) for u in registers]
        new = [self._cell(column, u, diagonal[u], up[u], left[u]) for u in registers]
        for u in registers:
            self._store(new[u], self.table, following, u)
        column.add_incoming(self.start, before)
        column.add_incoming(following, body)
        for u in registers:
            diagonal[u].add_incoming(corner[u], before)
            diagonal[u].add_incoming(up[u], body)
            left[u].add_incoming(top, before)
            left[u].add_incoming(new[u], body)
        build.cbranch(build.icmp_signed("<", following, self.stop), body, after)
        build.position_at_end(after)

    def _cell(self, column: Any, u: int, diagonal: Any, up: Any, left: Any) -> Any:
        build, how = self.build, self.how
        cost = how.cost(build, self._load(self.other, column, u), self.value)
        if self.extra is not None:
            cost = how.add(build, self._load(self.extra, column, u), cost)
        # `left` last: it is the only value that has to wait for the cell before.
        cheapest = how.smaller(build, how.smaller(build, diagonal, up), left)
        return how.add(build, cheapest, cost)


class _Add(_Row):
    """Emits ``add_*``: the costs of one channel added to those of the channels before."""

    def emit(self, kinds: Any, args: Any) -> None:
        build, how = self.build, self.how
        sums, other = self._data(kinds[0], args[0]), self._data(kinds[1], args[1])
        value = self._splat(args[2])
        with cgutils.for_range_slice(build, args[3], args[4], ir.Constant(args[3].type, 1)) as (
            column,
            _,
        ):
            for u in range(how.registers):
                cost = how.cost(build, self._load(other, column, u), value)
                cost = how.add(build, self._load(sums, column, u), cost)
                self._store(cost, sums, column, u)


class _Turn(_Row):
    """Emits ``turn_i16``: eight rows become eight neighbouring lanes, 8 x 8 samples at a time."""

    def emit(self, kinds: Any, args: Any) -> None:
        build = self.build
        rows, lanes = self._data(kinds[0], args[0]), self._data(kinds[1], args[1])
        first, length = args[2], args[3]
        self.vector = ir.VectorType(self.how.element, 8)
        eight, start = ir.Constant(length.type, 8), ir.Constant(length.type, 0)
        with cgutils.for_range_slice(build, start, length, eight) as (at, _):
            block = [self._load_at(rows, self._index(length, u, at)) for u in range(8)]
            for t, turned in enumerate(self._transpose(block)):
                row = build.add(at, ir.Constant(at.type, t))
                place = build.add(build.mul(row, ir.Constant(row.type, WIDE16)), first)
                build.store(turned, self._pointer(lanes, place), align=self.how.align)

    def _index(self, length: Any, row: int, at: Any) -> Any:
        return self.build.add(self.build.mul(length, ir.Constant(length.type, row)), at)

    def _transpose(self, block: list[Any]) -> list[Any]:
        # Three rounds of interleaving vector k with k + 4, as a perfect shuffle of cards.
        for _ in range(3):
            pairs = [(block[k], block[k + 4]) for k in range(4)]
            block = [self._interleave(a, b, half) for a, b in pairs for half in (0, 4)]
        return block

    def _interleave(self, a: Any, b: Any, half: int) -> Any:
        order = [place for k in range(half, half + 4) for place in (k, k + 8)]
        mask = ir.Constant(ir.VectorType(ir.IntType(32), 8), order)
        return self.build.shuffle_vector(a, b, mask)


class _Excess(_Row):
    """Emits ``excess_i16``: squared excess over a corridor, added up CHUNK samples at a time."""

    def emit(self, kinds: Any, args: Any) -> None:
        build = self.build
        self.over, self.under, self.low, self.high = (
            self._data(kinds[k], args[k]) for k in range(4)
        )
        sums = self._data(kinds[4], args[4])
        one = ir.Constant(args[5].type, 1)
        with cgutils.for_range_slice(build, ir.Constant(one.type, 0), args[5], one) as (m, _):
            total = self._squares(self._excess(m, 0))
            for u in range(1, CHUNK // self.how.width):
                total = build.fadd(total, self._squares(self._excess(m, u)))
            place = build.gep(sums, [m])
            build.store(build.fadd(build.load(place), self._sum(total)), place)

    def _excess(self, m: Any, part: int) -> Any:
        build, how = self.build, self.how
        over, under, low, high = (
            self._part(base, m, part) for base in (self.over, self.under, self.low, self.high)
        )
        above = how.saturating(build, "ssub", over, high)
        below = how.saturating(build, "ssub", low, under)
        none = ir.Constant(self.vector, [0] * how.width)
        return how.larger(build, how.larger(build, above, below), none)

    def _part(self, base: Any, m: Any, part: int) -> Any:
        at = self.build.mul(m, ir.Constant(m.type, CHUNK))
        at = self.build.add(at, ir.Constant(m.type, part * self.how.width))
        return self._load_at(base, at)

    def _squares(self, excess: Any) -> Any:
        x = self.build.sitofp(excess, ir.VectorType(ir.FloatType(), self.how.width))
        return self.build.fmul(x, x)

    def _sum(self, x: Any) -> Any:
        width, none = self.how.width, ir.Undefined
        while width > 1:
            width //= 2
            kind = ir.VectorType(ir.IntType(32), width)
            halves = [
                self.build.shuffle_vector(
                    x, ir.Constant(x.type, none), ir.Constant(kind, list(range(at, at + width)))
                )
                for at in (0, width)
            ]
            x = self.build.fadd(*halves)
        return self.build.extract_element(x, ir.Constant(ir.IntType(32), 0))


class _Units(_Row):
    """Emits ``units_i16``: codes moved, clipped, shifted and scaled."""

    def emit(self, kinds: Any, args: Any) -> None:
        build = self.build
        codes, out = self._data(kinds[0], args[0]), self._data(kinds[5], args[5])
        centre, clip, shift, factor = (self._splat(args[k]) for k in range(1, 5))
        floor = build.sub(ir.Constant(self.vector, [0] * self.how.width), clip)
        step = ir.Constant(args[6].type, self.how.width)
        with cgutils.for_range_slice(build, ir.Constant(step.type, 0), args[6], step) as (at, _):
            x = self.how.saturating(build, "ssub", self._load_at(codes, at), centre)
            x = self.how.smaller(build, self.how.larger(build, x, floor), clip)
            x = self._scale(build.shl(x, shift), factor)
            build.store(x, self._pointer(out, at), align=self.how.align)

    def _scale(self, x: Any, factor: Any) -> Any:
        # floor(x * factor / 2^15 + 1/2), written the way that is one instruction on x86.
        build, wide = self.build, ir.VectorType(ir.IntType(32), self.how.width)
        one, fourteen = (ir.Constant(wide, [k] * self.how.width) for k in (1, 14))
        product = build.mul(build.sext(x, wide), build.sext(factor, wide))
        rounded = build.add(build.ashr(product, fourteen), one)
        return build.trunc(build.ashr(rounded, one), x.type)


class _Least(_Row):
    """Emits ``least_i16``: the smallest cell of a row in every lane."""

    def emit(self, kinds: Any, args: Any) -> None:
        build, registers = self.build, range(self.how.registers)
        table, out = self._data(kinds[0], args[0]), self._data(kinds[1], args[1])
        place = [cgutils.alloca_once(build, self.vector) for _ in registers]
        for u in registers:
            build.store(self._splat(ir.Constant(self.how.element, self.how.top)), place[u])
        one = ir.Constant(args[2].type, 1)
        with cgutils.for_range_slice(build, args[2], args[3], one) as (column, _):
            following = build.add(column, one)
            for u in registers:
                value = self._load(table, following, u)
                build.store(self.how.smaller(build, build.load(place[u]), value), place[u])
        for u in registers:
            self._store(build.load(place[u]), out, ir.Constant(args[2].type, 0), u)


def _compiled_least(how: Any) -> Any:
    @intrinsic
    def least(typingctx, table, out, start, stop):
        return _emitter(_Least, how, table, out, types.intp, types.intp)

    return least


def _compiled_sweep(how: Any) -> Any:
    @intrinsic
    def sweep(typingctx, table, extra, other, value, start, stop):
        return _emitter(_Sweep, how, table, extra, other, how.scalar, types.intp, types.intp)

    return sweep


def _compiled_add(how: Any) -> Any:
    @intrinsic
    def add(typingctx, sums, other, value, start, stop):
        return _emitter(_Add, how, sums, other, how.scalar, types.intp, types.intp)

    return add


def _compiled_turn(how: Any) -> Any:
    @intrinsic
    def turn(typingctx, rows, lanes, first, length):
        return _emitter(_Turn, how, rows, lanes, types.intp, types.intp)

    return turn


def _compiled_excess(how: Any) -> Any:
    @intrinsic
    def excess(typingctx, over, under, low, high, sums, chunks):
        return _emitter(_Excess, how, over, under, low, high, sums, types.intp)

    return excess


def _compiled_units(how: Any) -> Any:
    @intrinsic
    def units(typingctx, codes, centre, clip, shift, factor, out, length):
        scalar = how.scalar
        return _emitter(_Units, how, codes, scalar, scalar, scalar, scalar, out, types.intp)

    return units


def _emitter(kind: Any, how: Any, *arguments: Any) -> Any:
    """Signature and code generator of an intrinsic without a result."""

    def emit(context, build, signature, args):
        kind(context, build, how).emit(signature.args, args)
        return context.get_dummy_value()

    return types.void(*arguments), emit


sweep_f64: Any = plain.sweep_f64 if config.DISABLE_JIT else _compiled_sweep(_Float64())
sweep_i16: Any = plain.sweep_i16 if config.DISABLE_JIT else _compiled_sweep(_Int16())
add_f64: Any = plain.add_f64 if config.DISABLE_JIT else _compiled_add(_Float64())
add_i16: Any = plain.add_i16 if config.DISABLE_JIT else _compiled_add(_Int16())
least_i16: Any = plain.least_i16 if config.DISABLE_JIT else _compiled_least(_Int16())
turn_i16: Any = plain.turn_i16 if config.DISABLE_JIT else _compiled_turn(_Int16())
excess_i16: Any = plain.excess_i16 if config.DISABLE_JIT else _compiled_excess(_Int16())
units_i16: Any = plain.units_i16 if config.DISABLE_JIT else _compiled_units(_Int16())
