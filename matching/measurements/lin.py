"""What is read off a LIN bus: levels against supply, edges, timing, frames and responses."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from matching.events.bits import bus_edges
from matching.measurements import Cut
from matching.measurements.common import transitions
from matching.measurements.lin_frames import (
    LinFrame,
    checksum_fits,
    protected_identifier,
    read_frames,
)
from matching.measurements.sheet import register_sheet
from matching.tools import Floats, mad_sigma, thin
from refdb.cards import CardMeasurement

NOMINAL_KBIT = np.array([2.4, 9.6, 10.417, 19.2, 20.0])

LEVELS = {
    "rec": "Recessive level, V: centre of the recessive runs' settled means.",
    "dom": "Dominant level, V.",
    "swing": "Recessive less dominant level, V.",
    "dom-share": "Dominant over recessive level (supply, where recorded), %.",
    "rec-share": "Recessive level over the recorded supply, %; NaN without one.",
    "slave-dom": "Dominant level of the answering bytes less that of the headers, V.",
    "slave-worst": "The largest such difference of one frame, V.",
    "dom-spread": "Robust spread of the dominant level over runs, V.",
    "minimum": "Lowest 0.1 % level, V.",
    "maximum": "Highest 0.1 % level, V.",
}
SHAPES = {
    "rise": "10-90 % duration of the rising edge, us, median.",
    "fall": "90-10 % duration of the falling edge, us, median.",
    "slew": "60 % of the swing over the 20-80 % time of the rising edge, V/us.",
    "tail": "Swing still missing a quarter bit after the rising edge crosses the middle, %.",
    "bias": "Dominant bits longer than nominal at the middle of the swing, % of a bit.",
}
TIMES = {
    "bit": "Bit time, us: from the sync bytes where there are any.",
    "off-nominal": "Bit rate against the nearest usual rate, %.",
    "break": "Break length in bits (at least 13), median.",
    "delimiter": "Break delimiter in bits, median.",
    "answer-gap": "Space between identifier and first answering byte in bits, median.",
    "byte-gap": "Largest space between answering bytes in bits, median over frames.",
    "slot": "Time from break to break, ms, median.",
    "slot-spread": "Robust spread of that time, % of it.",
}
TRAFFIC = {
    "frames": "Frames per second.",
    "answered": "Share of the headers with an answer, %.",
    "checked": "Share of the answered frames with a right checksum, %.",
    "synced": "Share of the frames with a sync byte of 0x55, %.",
    "parity": "Share of the frames with right identifier parity, %.",
    "framing": "Share of the bytes without a recessive stop bit, %.",
    "load": "Share of the recording inside frames, %.",
    "runts": "Runs shorter than 0.6 bit per hundred runs.",
    "longest": "Longest dominant run in bits.",
}


@dataclass(frozen=True, slots=True, eq=False)
class LinLine:
    """Raw volts (n,), edges into (down) and out of (up) dominant, samples per bit, frames."""

    x: Floats
    down: Floats
    up: Floats
    bit: float
    frames: list[LinFrame]


def _line(cut: Cut) -> LinLine:
    params = cut.card.events.params
    x = cut.channel(params.get("role", ""))
    marks = cut.events.marks
    if "up" in marks:
        down, up, bit = marks["up"], marks["down"], float(marks["bit"][0])
    else:
        down, up, _ = bus_edges(-x, params)
        bit = 0.0
    frames = read_frames(down, up, bit, x.size - 1.0) if bit > 0.0 else []
    synced = [f.bit for f in frames if f.bit > 0.0]
    if synced:
        bit = float(np.median(synced))
    return LinLine(x, down, up, bit, frames)


def _sheet(cut: Cut, wanted: CardMeasurement) -> dict[str, float]:
    line = _line(cut)
    ends = np.quantile(thin(line.x), [0.001, 0.999])
    out = {"minimum": float(ends[0]), "maximum": float(ends[1])}
    if line.bit <= 0.0 or line.down.size < 2 or line.up.size < 2:
        held = float(np.median(thin(line.x))) < 4.0  # neither supply nor a bus at rest
        out |= {"rec": float(ends[1]), "dom": float(ends[0]), "swing": float(np.ptp(ends))}
        return out | {"frames": 0.0, "load": 0.0, "longest": 99.0 if held else 0.0}
    out |= _levels(line, cut)
    out |= _edges(line, out["dom"], out["rec"], cut.rate_hz)
    return out | _times(line, cut.rate_hz) | _traffic(line, cut.rate_hz)


def _settled(line: LinLine, begin: Floats, end: Floats) -> tuple[Floats, Floats]:
    """Mean of each run's settled part and the run's start; runs of at least 0.7 bit."""
    after = np.searchsorted(end, begin)
    ok = after < end.size
    a, b = begin[ok], end[after[ok]]
    long = b - a > 0.7 * line.bit
    a, b = a[long], np.minimum(b[long], a[long] + 8.0 * line.bit)
    first = np.ceil(a + 0.5 * np.minimum(line.bit, b - a)).astype(np.int64)
    last = np.maximum(np.floor(b - 0.15 * line.bit).astype(np.int64), first)
    last = np.minimum(last, line.x.size - 1)
    first = np.minimum(first, last)
    total = np.concatenate(([0.0], np.cumsum(line.x)))
    return (total[last + 1] - total[first]) / (last + 1 - first), a


def _centre(values: Floats) -> float:
    ordered = np.sort(values)
    cut = values.size // 4
    return float(ordered[cut : values.size - cut].mean()) if values.size else float("nan")


def _levels(line: LinLine, cut: Cut) -> dict[str, float]:
    dom, at = _settled(line, line.down, line.up)
    rec, _ = _settled(line, line.up, line.down)
    out = {"dom": _centre(dom), "rec": _centre(rec), "dom-spread": mad_sigma(dom)}
    out["swing"] = out["rec"] - out["dom"]
    supply = out["rec"]
    if "supply" in cut.signal.roles:
        supply = float(np.median(thin(cut.channel("supply"))))
        out["rec-share"] = 100.0 * out["rec"] / max(supply, 1.0)
    out["dom-share"] = 100.0 * out["dom"] / max(supply, 1.0)
    header, answers = [], []
    for frame in line.frames:
        if len(frame.starts) < 3:
            continue
        edge = frame.starts[2] - 0.5 * line.bit
        header.append(dom[(at >= frame.start) & (at < edge)])
        stop = frame.starts[-1] + 10.0 * line.bit
        answers.append(dom[(at >= edge) & (at < stop)])
    if header:
        base = _centre(np.concatenate(header))
        each = np.array([_centre(a) - base for a in answers if a.size])
        if each.size:
            out["slave-dom"] = float(np.median(each))
            out["slave-worst"] = float(each[np.argmax(np.abs(each))])
    return out


def _edges(line: LinLine, dom: float, rec: float, rate: float) -> dict[str, float]:
    if rec - dom < 0.5:
        return {}
    out: dict[str, float] = {}
    for name in ("rise", "fall"):
        times = transitions(line.x, dom, rec, name)
        if times.size:
            out[name] = 1e6 * float(np.median(times)) / rate
    inner = transitions(line.x, dom + 0.125 * (rec - dom), rec - 0.125 * (rec - dom), "rise")
    if inner.size:  # 10-90 % of the middle three quarters: 20-80 % of the swing
        out["slew"] = 0.6 * (rec - dom) / max(1e6 * float(np.median(inner)) / rate, 1e-9)
    # Only edges that a recessive run of a whole bit follows can be judged a quarter bit later.
    following = np.searchsorted(line.down, line.up)
    stop = np.where(
        following < line.down.size, line.down[np.minimum(following, line.down.size - 1)], np.inf
    )
    places = line.up[stop - line.up > 0.7 * line.bit] + 0.25 * line.bit
    places = places[places < line.x.size - 2]
    if places.size:
        left = places.astype(np.int64)
        part = places - left
        value = line.x[left] * (1.0 - part) + line.x[left + 1] * part
        out["tail"] = 100.0 * (rec - float(np.median(value))) / (rec - dom)
    after = np.searchsorted(line.up, line.down)
    ok = after < line.up.size
    width = (line.up[after[ok]] - line.down[ok]) / line.bit
    width = width[width < 8.5]
    if width.size:
        out["bias"] = 100.0 * float(np.median(width - np.round(width)))
    return out


def _times(line: LinLine, rate: float) -> dict[str, float]:
    kbit = rate / line.bit / 1e3
    nearest = float(NOMINAL_KBIT[np.argmin(np.abs(np.log(NOMINAL_KBIT / kbit)))])
    out = {"bit": 1e3 / kbit, "off-nominal": 100.0 * (kbit / nearest - 1.0)}
    if not line.frames:
        return out
    out["break"] = float(np.median([f.break_bits for f in line.frames]))
    out["delimiter"] = float(np.median([f.delimiter_bits for f in line.frames]))
    gaps = [(np.diff(f.starts) / line.bit - 10.0) for f in line.frames if len(f.starts) >= 3]
    if gaps:
        out["answer-gap"] = float(np.median([g[1] for g in gaps]))
        inner = [g[2:].max() for g in gaps if g.size > 2]
        if inner:
            out["byte-gap"] = float(np.median(inner))
    start = np.array([f.start for f in line.frames])
    if start.size >= 2:
        slots = np.diff(start)
        out["slot"] = 1e3 * float(np.median(slots)) / rate
        out["slot-spread"] = 100.0 * mad_sigma(slots) / float(np.median(slots))
    return out


def _traffic(line: LinLine, rate: float) -> dict[str, float]:
    n = line.x.size
    after = np.searchsorted(line.up, line.down)
    ok = after < line.up.size
    width = (line.up[after[ok]] - line.down[ok]) / line.bit
    edges = np.sort(np.concatenate((line.up, line.down)))
    out = {
        "frames": len(line.frames) * rate / n,
        "load": 0.0,
        "runts": 100.0 * float(np.mean(np.diff(edges) < 0.6 * line.bit)),
        "longest": float(width.max()) if width.size else 0.0,
    }
    # A frame that the recording cuts off is left out: it may lack its answer for that reason.
    whole = [f for f in line.frames if f.start + 130.0 * line.bit < n] or line.frames[:-1]
    if not whole:
        return out
    spans = [(f.starts[-1] + 10.0 * line.bit if f.starts else f.start) - f.start for f in whole]
    out["load"] = 100.0 * min(float(np.mean(spans)) * len(line.frames) / n, 1.0)
    headed = [f for f in whole if len(f.values) >= 2]
    out["synced"] = 100.0 * float(np.mean([f.values[:1] == (0x55,) for f in whole]))
    if headed:
        good = [protected_identifier(f.values[1] & 0x3F) == f.values[1] for f in headed]
        out["parity"] = 100.0 * float(np.mean(good))
        out["answered"] = 100.0 * float(np.mean([len(f.values) >= 4 for f in headed]))
    answered = [f for f in headed if len(f.values) >= 4]
    if answered:
        out["checked"] = 100.0 * float(np.mean([checksum_fits(f) for f in answered]))
    count = sum(len(f.values) for f in whole)
    if count:
        out["framing"] = 100.0 * sum(f.framing for f in whole) / count
    return out


register_sheet("lin", LEVELS | SHAPES | TIMES | TRAFFIC, _sheet)
