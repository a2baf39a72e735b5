"""CAN frames from bits: stuffing, CRC-15 and the parts of a classic data frame (ISO 11898-1)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

CRC15 = 0x4599  # x^15 + x^14 + x^10 + x^8 + x^7 + x^4 + x^3 + 1, Bosch CAN 2.0 clause 3.1.1
Bits = Sequence[int]
Verdict = Literal["ok", "crc", "stuff", "short", "other"]


@dataclass(frozen=True, slots=True)
class Frame:
    """One frame as read off the line. bits: 1 recessive, 0 dominant.

    verdict: 'ok'; 'crc' (check sum differs); 'stuff' (six equal bits before the end of the CRC);
    'short' (the bits end too early); 'other' (a format this reader does not know, such as FD).
    raw_end: number of bits on the line up to the end of the CRC (stuff bits included).
    """

    verdict: Verdict
    identifier: int = -1
    extended: bool = False
    data_length: int = 0
    raw_end: int = 0
    stuffed: int = 0


def crc15(bits: Bits) -> int:
    """CRC-15 of a bit sequence, first bit first: start 0, no reflection, no final inversion."""
    register = 0
    for bit in bits:
        high = (register >> 14) & 1
        register = (register << 1) & 0x7FFF
        if high ^ bit:
            register ^= CRC15
    return register


def stuff(bits: Bits) -> list[int]:
    """The bits with a complementary one after each five equal ones (Bosch CAN 2.0, clause 5)."""
    out: list[int] = []
    run, last = 0, -1
    for bit in bits:
        run = run + 1 if bit == last else 1
        out.append(bit)
        last = bit
        if run == 5:
            last = 1 - bit
            out.append(last)
            run = 1
    return out


def unstuff(bits: Bits, most: int | None = None) -> tuple[list[int], int, bool]:
    """Bits without stuff bits, how many raw bits were read, and whether six equal ones stopped it.

    most: stop once so many bits are out (a stuff bit due right then is read as well).
    """
    out: list[int] = []
    run, last, used = 0, -1, 0
    skip = False
    for bit in bits:
        if most is not None and len(out) >= most and not skip:
            break
        used += 1
        if skip:
            if bit == last:
                return out, used, True
            run, last, skip = 1, bit, False
            continue
        run = run + 1 if bit == last else 1
        last = bit
        out.append(bit)
        skip = run == 5
    return out, used, False


def _number(bits: Bits) -> int:
    value = 0
    for bit in bits:
        value = (value << 1) | bit
    return value


def read_frame(raw: Bits) -> Frame:
    """The frame at the start of the raw bits (start-of-frame first, stuff bits inside)."""
    bits, _, broken = unstuff(raw, 200)
    if len(bits) < 19:
        return Frame("stuff" if broken else "short")
    extended = bits[13] == 1
    head = 39 if extended else 19
    if len(bits) < head:
        return Frame("stuff" if broken else "short", extended=extended)
    remote = bits[32] == 1 if extended else bits[12] == 1
    if bits[33 if extended else 14] == 1:
        return Frame("other", extended=extended)  # FDF: a flexible data-rate frame
    identifier = _number(bits[1:12])
    if extended:
        identifier = (identifier << 18) | _number(bits[14:32])
    length = 0 if remote else min(_number(bits[head - 4 : head]), 8)
    end = head + 8 * length
    if len(bits) < end + 15:
        verdict: Verdict = "stuff" if broken else "short"
        return Frame(verdict, identifier, extended, length)
    _, used, _ = unstuff(raw, end + 15)
    good = crc15(bits[: end + 15]) == 0
    return Frame("ok" if good else "crc", identifier, extended, length, used, used - end - 15)


def frame_bits(identifier: int, data: bytes, extended: bool = False) -> list[int]:
    """A data frame's bits from start of frame to CRC, not stuffed (to test and to simulate)."""
    bits = [0]
    if extended:
        bits += [*_digits(identifier >> 18, 11), 1, 1, *_digits(identifier & 0x3FFFF, 18)]
        bits += [0, 0, 0]
    else:
        bits += [*_digits(identifier, 11), 0, 0, 0]
    bits += _digits(len(data), 4)
    for byte in data:
        bits += _digits(byte, 8)
    return bits + _digits(crc15(bits), 15)


def _digits(value: int, count: int) -> list[int]:
    return [(value >> (count - 1 - k)) & 1 for k in range(count)]
