"""Captures made from closed forms, and the measuring path from a capture to its numbers."""

from __future__ import annotations

import numpy as np

from matching.conditioning import condition
from matching.measurements import Cut, measure
from matching.measurements.can_frames import frame_bits, stuff
from matching.profile import cut_signal
from refdb.cards import find_card
from refdb.records import Capture, Channel


def capture(samples, rate_hz, channels):
    """A capture of `samples` (channels, n); channels as 'can_h=V,can_l=V'."""
    named = tuple(Channel(*c.split("=")) for c in channels.split(","))
    data = np.atleast_2d(np.asarray(samples, dtype=float))
    return Capture(data, float(rate_hz), named, "dc", 1.0, 1.0, "made", "0" * 64)


def cut_of(system, samples, rate_hz, channels, hint=None) -> Cut:
    card = find_card(system)
    return cut_signal(card, condition(card, capture(samples, rate_hz, channels)), hint or {})


def numbers(system, samples, rate_hz, channels, hint=None):
    """Every measurement of the system's card by name."""
    part = cut_of(system, samples, rate_hz, channels, hint)
    return {m.name: measure(part, m) for m in part.card.measurements}


# --- CAN ----------------------------------------------------------------------------------------


def can_line(frames=12, seed=1, acknowledge=True):
    """Bits of a bus (1 recessive): frames with random content, acknowledged, idle between."""
    rng = np.random.default_rng(seed)
    line = [1] * 14
    for _ in range(frames):
        data = rng.integers(0, 256, rng.integers(1, 9)).astype(np.uint8).tobytes()
        line += stuff(frame_bits(int(rng.integers(0, 0x7F0)), data))
        line += [1, 0 if acknowledge else 1, 1] + [1] * 7 + [1] * int(rng.integers(3, 40))
    return np.array(line)


def can_volts(line, bit_s, rate_hz, high=3.5, low=1.5, rest=2.5, tau_rise=20e-9, tau_fall=20e-9):
    """CAN_H and CAN_L (2, n): single-pole edges of their own time constants, ideal sampling."""
    t = np.arange(int(line.size * bit_s * rate_hz)) / rate_hz
    edges = np.flatnonzero(np.diff(line, prepend=1)) * bit_s
    into = line[np.round(edges / bit_s).astype(int)] == 0
    level = np.zeros(t.size)
    y, k = 0.0, 0
    bounds = np.append(edges, t[-1] + 1.0)
    state, since = 0.0, 0.0
    start = np.searchsorted(t, bounds)
    level[: start[0]] = 0.0
    for k, edge in enumerate(edges):
        state, since = (1.0 if into[k] else 0.0), edge
        tau = tau_rise if into[k] else tau_fall
        part = t[start[k] : start[k + 1]] - since
        level[start[k] : start[k + 1]] = state + (y - state) * np.exp(-part / tau)
        y = state + (y - state) * np.exp(-(bounds[k + 1] - since) / tau)
    return np.stack([rest + (high - rest) * level, rest + (low - rest) * level])


# --- toothed wheels -----------------------------------------------------------------------------


def wheel_emf(pitches, missing, turns, rate_hz, rpm, amplitude=1.0, sizes=None, speed=None):
    """Emf (n,) of a wheel: one sine cycle a tooth, falling through zero at its centre.

    sizes: per pitch of one turn (0 removes a tooth); speed: function of turn angle (turns) -> 1.
    """
    n = int(turns * 60.0 / rpm * rate_hz)
    step = rpm / 60.0 / rate_hz
    if speed is None:
        angle = np.arange(n) * step
    else:
        angle = np.cumsum(np.array([step] * n))
        for _ in range(3):  # time to angle by fixed point: the speed depends on the angle itself
            angle = np.concatenate(([0.0], np.cumsum(step * speed(angle))[:-1]))
    size = np.ones(pitches) if sizes is None else np.array(sizes, dtype=float)
    size[pitches - missing :] = 0.0
    tooth = np.mod(angle * pitches, pitches)
    rate = np.gradient(angle) / step
    form = -np.sin(2.0 * np.pi * (np.mod(tooth, 1.0) - 0.5))
    return amplitude * size[tooth.astype(int)] * form * rate


# --- LIN ----------------------------------------------------------------------------------------


def lin_line(frames, slot_bits=220):
    """Bits (1 recessive) of LIN frames: (identifier, data or None for no answer, enhanced)."""
    from matching.measurements.lin_frames import checksum, protected_identifier

    line = [1] * 20
    for identifier, data, enhanced in frames:
        begin = len(line)
        pid = protected_identifier(identifier)
        values = [0x55, pid]
        line += [0] * 13 + [1]
        if data is not None:
            values += [*data, checksum(data, pid if enhanced else None)]
        for value in values:
            line += [0] + [(value >> k) & 1 for k in range(8)] + [1]
        line += [1] * (slot_bits - (len(line) - begin))
    return np.array(line)


def lin_volts(line, bit_s, rate_hz, supply=13.5, dominant=0.9, slew_v_us=2.0):
    """Volts (n,) with slope-controlled edges, starting at the bit's edge."""
    t = np.arange(int(line.size * bit_s * rate_hz)) / rate_hz
    edges = np.flatnonzero(np.diff(line)) + 1
    length = (supply - dominant) / slew_v_us * 1e-6
    knots, values = [0.0], [supply if line[0] else dominant]
    for k in edges:
        before, after = (dominant, supply) if line[k] else (supply, dominant)
        knots += [k * bit_s, k * bit_s + length]
        values += [before, after]
    return np.interp(t, knots, values)
