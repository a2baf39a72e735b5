"""Many pairs at once: one query against W candidates in lock step, one candidate per vector lane.

A single pair cannot fill a vector register along a row, because each cell needs the one before
it. W candidates laid side by side ("lanes", arrays of shape (L, W)) can: cell (i, j) of all of
them is computed by the same few vector instructions, and nothing has to be re-ordered.

The row loop is written out as vector instructions (numba's ``intrinsic``) rather than left to the
compiler: the cell to the left must stay in a register, and a loop that silently stops
vectorising is nine times slower. ``sweep_f64`` is exact; ``sweep_i16`` packs twice to four times
as many candidates into a register by counting in 16-bit saturating whole numbers, and its result
is a proven lower bound (see ``scale16`` in ``search``). Without the compiler
(``NUMBA_DISABLE_JIT=1``) the plain loops at the end of this file do the same.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from llvmlite import ir
from numba import config, types
from numba.core import cgutils
from numba.extending import intrinsic

WIDE16 = 32
"""Lanes of the 16-bit sweep: two registers of 16, enough independent work to hide latency."""

WIDE64 = 16
"""Lanes of the float64 sweep: four registers of 4."""

TOP16 = 32767
"""Stands for infinity in 16 bits: saturating sums stay there."""


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
        d = self._saturating(build, "ssub", a, b)
        d = self._saturating(build, "sadd", d, d)
        d = self._saturating(build, "sadd", d, d)
        wide = build.sext(d, ir.VectorType(ir.IntType(32), self.width))
        square = build.mul(wide, wide)
        sixteen = ir.Constant(square.type, [16] * self.width)
        return build.trunc(build.lshr(square, sixteen), d.type)

    def add(self, build: Any, a: Any, b: Any) -> Any:
        return self._saturating(build, "sadd", a, b)

    def smaller(self, build: Any, a: Any, b: Any) -> Any:
        return build.select(build.icmp_signed("<", a, b), a, b)

    def _saturating(self, build: Any, name: str, a: Any, b: Any) -> Any:
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
        return self.build.bitcast(self.build.gep(base, [at]), self.vector.as_pointer())

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
        with cgutils.for_range_slice(
            build, args[3], args[4], ir.Constant(args[3].type, 1)
        ) as (column, _):
            for u in range(how.registers):
                cost = how.cost(build, self._load(other, column, u), value)
                cost = how.add(build, self._load(sums, column, u), cost)
                self._store(cost, sums, column, u)


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
        def emit(context, build, signature, args):
            _Least(context, build, how).emit(signature.args, args)
            return context.get_dummy_value()

        return types.void(table, out, types.intp, types.intp), emit

    return least


def _compiled_sweep(how: Any) -> Any:
    @intrinsic
    def sweep(typingctx, table, extra, other, value, start, stop):
        def emit(context, build, signature, args):
            _Sweep(context, build, how).emit(signature.args, args)
            return context.get_dummy_value()

        return types.void(table, extra, other, how.scalar, types.intp, types.intp), emit

    return sweep


def _compiled_add(how: Any) -> Any:
    @intrinsic
    def add(typingctx, sums, other, value, start, stop):
        def emit(context, build, signature, args):
            _Add(context, build, how).emit(signature.args, args)
            return context.get_dummy_value()

        return types.void(sums, other, how.scalar, types.intp, types.intp), emit

    return add


def _cost16(a: int, b: int) -> int:
    d = min(TOP16, max(-TOP16 - 1, int(a) - int(b)))
    d = min(TOP16, max(-TOP16 - 1, 4 * d))
    return (d * d) >> 16


def _plain_f64(table, extra, other, value, start, stop):
    """One row of the table of accumulated costs, for all lanes, in place.

    Parameters: table (L + 1, W) float64, slot j + 1 holds cell j of the row above and receives
    that of this row, slot 0 the way in; extra (L, W) cost of the other channels, or None; other
    (L, W) candidates; value, the query's sample of this row; start, stop: columns of the band.
    """
    diagonal, left = table[start].copy(), np.full(table.shape[1], np.inf)
    for j in range(start, stop):
        cost = (other[j] - value) * (other[j] - value)
        if extra is not None:
            cost = extra[j] + cost
        up = table[j + 1].copy()
        left = np.minimum(np.minimum(diagonal, up), left) + cost
        table[j + 1], diagonal = left, up


def _plain_i16(table, extra, other, value, start, stop):
    """The same in 16-bit saturating counts; all arrays int16."""
    lanes = table.shape[1]
    diagonal, left = [int(v) for v in table[start]], [TOP16] * lanes
    for j in range(start, stop):
        for w in range(lanes):
            cost = _cost16(other[j, w], value)
            if extra is not None:
                cost = min(TOP16, cost + int(extra[j, w]))
            up = int(table[j + 1, w])
            left[w] = min(TOP16, min(diagonal[w], up, left[w]) + cost)
            table[j + 1, w] = left[w]
            diagonal[w] = up


def _plain_add_f64(sums, other, value, start, stop):
    """sums[j] += (other[j] - value)^2 for the columns start..stop-1, all lanes."""
    for j in range(start, stop):
        sums[j] += (other[j] - value) * (other[j] - value)


def _plain_add_i16(sums, other, value, start, stop):
    """The same in 16-bit saturating counts."""
    for j in range(start, stop):
        for w in range(sums.shape[1]):
            sums[j, w] = min(TOP16, int(sums[j, w]) + _cost16(other[j, w], value))


def _plain_least_i16(table, out, start, stop):
    """out[w] = smallest of the cells start..stop-1 (slots + 1) in lane w; TOP16 if none."""
    out[:] = table[start + 1 : stop + 1].min(axis=0, initial=TOP16)


sweep_f64: Any = _plain_f64 if config.DISABLE_JIT else _compiled_sweep(_Float64())
sweep_i16: Any = _plain_i16 if config.DISABLE_JIT else _compiled_sweep(_Int16())
add_f64: Any = _plain_add_f64 if config.DISABLE_JIT else _compiled_add(_Float64())
add_i16: Any = _plain_add_i16 if config.DISABLE_JIT else _compiled_add(_Int16())
least_i16: Any = _plain_least_i16 if config.DISABLE_JIT else _compiled_least(_Int16())
