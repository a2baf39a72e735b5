"""What is read off a CAN bus: levels, edges, timing and traffic (ISO 11898-2 line, classic CAN).

Level limits in the card are transceiver datasheet limits, not the standard's text. The
acknowledge slot, in which several nodes drive at once, is kept out of the levels.
"""

from __future__ import annotations

import numpy as np

from matching.measurements import Cut
from matching.measurements.can_line import IDLE_BITS, Line, line_of, run_means
from matching.measurements.common import transitions
from matching.measurements.sheet import register_sheet
from matching.tools import Bools, Floats, mad_sigma, smooth, thin
from refdb.cards import CardMeasurement

DOMINANT_V, RECESSIVE_V = 0.9, 0.5  # receiver thresholds, transceiver datasheet (TCAN1465-Q1)
NOMINAL_KBIT = np.array(
    [
        33.333,
        50.0,
        83.333,
        100.0,
        125.0,
        250.0,
        500.0,
        800.0,
        1000.0,
        2000.0,
        4000.0,
        5000.0,
        8000.0,
    ]
)
_MOST_EDGES = 400

LEVELS = {
    "h-rec": "CAN_H recessive level, V: median over recessive runs of their settled mean.",
    "l-rec": "CAN_L recessive level, V.",
    "h-dom": "CAN_H dominant level, V, acknowledge slots left out.",
    "l-dom": "CAN_L dominant level, V.",
    "diff-rec": "Recessive difference H - L, V.",
    "diff-dom": "Dominant difference H - L, V.",
    "h-step": "Rise of CAN_H from recessive to dominant, V.",
    "l-step": "Fall of CAN_L from recessive to dominant, V.",
    "step": "H step plus L step, V: the dominant difference freed of the channels' offsets.",
    "balance": "(H step - L step) / (|H step| + |L step|), 1: 0 when both wires move alike.",
    "sum-rec": "H + L recessive, V.",
    "sum-dom": "H + L dominant, V: over 5 V it is the driver symmetry.",
    "sum-step": "Change of H + L from recessive to dominant, V.",
    "ack-step": "Dominant difference in the acknowledge slots minus that of the other bits, V.",
    "node-diff": "Largest difference between frames of their median dominant H - L, V.",
    "node-sum": "Largest difference between frames of their median dominant H + L, V.",
    "node-shift": "Largest departure of a frame's own change of H + L from the usual change, V:"
    " a common disturbance of both states leaves it alone.",
    "dom-spread": "Robust spread of the dominant difference over runs, V.",
    "dom-lowest": "Dominant difference that one run in fifty stays below, V.",
    "rec-highest": "Recessive difference that one run in fifty exceeds, V.",
    "sum-noise": "Robust spread of H + L in recessive runs, V: common-mode disturbance.",
    "h-min": "Lowest 0.1 % level of CAN_H, V.",
    "h-max": "Highest 0.1 % level of CAN_H, V.",
    "l-min": "Lowest 0.1 % level of CAN_L, V.",
    "l-max": "Highest 0.1 % level of CAN_L, V.",
}
SHAPES = {
    "rise": "10-90 % duration of recessive to dominant on H - L, us, median.",
    "fall": "90-10 % duration of dominant to recessive on H - L, us, median.",
    "stretch": "Area of a dominant run over the step, less its nominal length, us: the delay of the"
    " falling edge less that of the rising one, true also where the edges are under-sampled.",
    "tail": "H - L half a bit after it starts to fall, above its recessive level, % of the step.",
    "overshoot": "Excess over the dominant level in the first half bit, % of the step, median.",
    "undershoot": "Dip below the recessive level in the first bit after falling, % of the step.",
    "ring-dom": "rms about its mean between 0.2 and 0.8 bit after rising, % of the step.",
    "ring-rec": "rms about the recessive level from 0.2 to 0.9 bit after falling, % of the step.",
    "undefined": "Share of the traffic time with H - L between 0.5 and 0.9 V, %.",
    "likeness": "Correlation of CAN_H with CAN_L, 1: -1 on a sound bus, +1 when one copies.",
}
TIMES = {
    "bit": "Bit time, us: from distances between like edges, which asymmetry does not change.",
    "slow-bit": "Bit time of the arbitration phase, us (CAN FD; the same as bit elsewhere).",
    "rates": "Data bit rate over arbitration bit rate, 1.",
    "kbit": "Bit rate, kbit/s.",
    "off-nominal": "Bit rate against the nearest usual rate, %.",
    "bias": "Dominant bits longer than nominal by this share of a bit, %.",
    "jitter": "Robust spread of like-edge distances from whole bits, % of a bit.",
    "worst-jitter": "98 % quantile of those deviations, % of a bit.",
}
TRAFFIC = {
    "edges": "Edges per millisecond of recording.",
    "load": "Share of the recording that is not idle (idle: more than 9 recessive bits), %.",
    "frames": "Frames per second.",
    "decoded": "Share of the complete frames whose stuffing and CRC-15 are right, %.",
    "errors": "Share of the complete frames with more than five equal dominant bits, %.",
    "broken": "Share of the complete frames with a stuffing, CRC or form fault, %.",
    "longest": "Longest dominant run in bits (above five: an error flag or a stuck node).",
    "runts": "Runs shorter than 0.6 bit per hundred runs.",
    "off-grid": "Share of runs (up to six bits) over 0.25 bit away from a whole length, %.",
    "unacked": "Share of the valid frames without a dominant acknowledge slot, %.",
}


def _sheet(cut: Cut, wanted: CardMeasurement) -> dict[str, float]:
    line = line_of(cut)
    out = _extremes(line) | _traffic(line, cut.rate_hz)
    out |= _levels(line)
    out |= _edge_shapes(line, out, cut.rate_hz)
    out |= _times(line, cut.rate_hz)
    return out


def _extremes(line: Line) -> dict[str, float]:
    out = {}
    for name, x in (("h", line.high), ("l", line.low)):
        out[f"{name}-min"], out[f"{name}-max"] = np.quantile(thin(x), [0.001, 0.999])
    a, b = thin(line.high), thin(line.low)
    spread = float(a.std() * b.std())
    if spread > 0:
        out["likeness"] = float(np.mean((a - a.mean()) * (b - b.mean())) / spread)
    return out


def _level_runs(line: Line) -> tuple[Bools, Bools]:
    """Which runs give the dominant and the recessive levels: whole bits, no acknowledge slot."""
    whole = (line.bits > 0.6) & (line.frame >= 0)
    acknowledge = np.zeros(line.begin.size, bool)
    ends = line.last[line.last >= 0]
    acknowledge[ends[line.bits[ends] < 1.6 * line.slow]] = True
    return whole & line.dominant & ~acknowledge, whole & ~line.dominant


def _levels(line: Line) -> dict[str, float]:
    dom, rec = _level_runs(line)
    if line.bit <= 0.0 or dom.sum() < 3 or rec.sum() < 3:
        dom = line.dominant & (line.bits > 0.6)
        rec = ~line.dominant & (line.bits > 0.6)
    if line.bit <= 0.0 or dom.sum() < 3 or rec.sum() < 3:
        return _levels_without_edges(line)
    values = {
        f"{name}-{state}": centre(run_means(line, which, chosen))
        for name, which in (("h", "high"), ("l", "low"))
        for state, chosen in (("dom", dom), ("rec", rec))
    }
    diff_dom, diff_rec = run_means(line, "diff", dom), run_means(line, "diff", rec)
    values |= {
        "diff-dom": centre(diff_dom),
        "diff-rec": centre(diff_rec),
        "dom-spread": mad_sigma(diff_dom),
        "dom-lowest": float(np.quantile(diff_dom, 0.02)),
        "rec-highest": float(np.quantile(diff_rec, 0.98)),
        "sum-noise": mad_sigma(run_means(line, "total", rec)),
    }
    return _derived(values) | _nodes(line, dom, rec, values["diff-dom"])


def centre(values: Floats) -> float:
    """Mean of the middle half of the values (n,): steadier than the median of coarse codes."""
    if values.size < 4:
        return float(np.median(values))
    ordered = np.sort(values)
    cut = values.size // 4
    return float(ordered[cut : values.size - cut].mean())


def _levels_without_edges(line: Line) -> dict[str, float]:
    """Levels of a bus without readable bits: the samples where H - L is high, and the middle."""
    high = line.diff >= np.quantile(thin(line.diff), 0.98)
    values = {
        f"{name}-{state}": float(np.median(x[chosen] if chosen is not None else thin(x)))
        for name, x in (("h", line.high), ("l", line.low))
        for state, chosen in (("dom", high), ("rec", None))
    }
    values["diff-dom"] = values["h-dom"] - values["l-dom"]
    values["diff-rec"] = values["h-rec"] - values["l-rec"]
    values["dom-lowest"] = values["diff-dom"]
    values["rec-highest"] = values["diff-rec"]
    values["sum-noise"] = mad_sigma(thin(line.total))
    values["dom-spread"] = mad_sigma(line.diff[high])
    return _derived(values)


def _derived(values: dict[str, float]) -> dict[str, float]:
    h = values["h-dom"] - values["h-rec"]
    low = values["l-rec"] - values["l-dom"]
    values |= {
        "h-step": h,
        "l-step": low,
        "step": h + low,
        "balance": (h - low) / max(abs(h) + abs(low), 0.05),
        "sum-rec": values["h-rec"] + values["l-rec"],
        "sum-dom": values["h-dom"] + values["l-dom"],
    }
    values["sum-step"] = values["sum-dom"] - values["sum-rec"]
    return values


def _nodes(line: Line, dom: Bools, rec: Bools, usual: float) -> dict[str, float]:
    """How far the frames' own levels lie apart: a node with a bad ground or a weak driver."""
    out = {"ack-step": 0.0, "node-diff": 0.0, "node-sum": 0.0, "node-shift": 0.0}
    acknowledge = np.zeros(line.begin.size, bool)
    acknowledge[line.last[line.last >= 0]] = True
    acknowledge &= (line.bits > 0.6 * line.slow) & (line.bits < 1.6 * line.slow)
    if acknowledge.any():
        out["ack-step"] = centre(run_means(line, "diff", acknowledge)) - usual
    if line.first.size == 0:
        return out
    # Arbitration may have several drivers: the first 14 bits of each frame stay out.
    late = line.begin > line.begin[line.first[np.maximum(line.frame, 0)]] + 14.0 * line.bit
    dom, rec = dom & late & (line.frame >= 0), rec & late & (line.frame >= 0) & (line.bits < 6.5)
    diff, total = (_by_frame(line, which, dom) for which in ("diff", "total"))
    quiet = _by_frame(line, "total", rec)
    for name, values in (("node-diff", diff), ("node-sum", total)):
        seen = values[np.isfinite(values)]
        if seen.size >= 2:
            out[name] = float(seen.max() - seen.min())
    change = (total - quiet)[np.isfinite(total - quiet)]
    if change.size >= 2:
        out["node-shift"] = float(np.abs(change - np.median(change)).max())
    return out


def _by_frame(line: Line, which: str, chosen: Bools) -> Floats:
    """Centre of the chosen runs' means in each frame (frames,), NaN for fewer than four runs."""
    out = np.full(line.first.size, np.nan)
    owner, values = line.frame[chosen], run_means(line, which, chosen)
    cuts = np.flatnonzero(np.diff(owner)) + 1
    for part, who in zip(np.split(values, cuts), np.split(owner, cuts), strict=True):
        if part.size >= 4:
            out[who[0]] = centre(part)
    return out


def _edge_shapes(line: Line, level: dict[str, float], rate: float) -> dict[str, float]:
    rec, dom = level["diff-rec"], level["diff-dom"]
    inside = (line.diff > RECESSIVE_V) & (line.diff < DOMINANT_V)
    busy = max(level.get("load", 0.0) / 100.0, 0.02) if line.bit > 0 else 1.0
    out = {"undefined": min(100.0 * float(inside.mean()) / busy, 100.0)}
    step = dom - rec
    if line.bit <= 0.0 or abs(step) < 0.05:
        return out
    rise = transitions(line.diff, rec, dom, "rise")
    fall = transitions(line.diff, rec, dom, "fall")
    if rise.size:
        out["rise"] = 1e6 * float(np.median(rise)) / rate
    if fall.size:
        out["fall"] = 1e6 * float(np.median(fall)) / rate
    out["stretch"] = 1e6 * _stretch(line, rec, step) / rate
    out |= _after_rising(line, dom, step) | _after_falling(line, rec, step)
    return out


def _stretch(line: Line, rec: float, step: float) -> float:
    """Samples by which dominant runs are longer by area than by their number of bits.

    The integral of a step's answer is its mean delay, whatever its form (the RC of a line that
    lacks a terminator gives RC), and sampling at random phase leaves it unbiased.
    """
    k = np.arange(1, line.begin.size - 1)
    sound = line.dominant[k] & (line.bits[k] > 0.6) & (line.bits[k] < 5.5)
    sound &= (line.bits[k - 1] > 0.7) & (line.bits[k + 1] > 0.7) & (line.bits[k + 1] < 6.5)
    k = k[sound]
    if k.size < 3:
        return float("nan")
    beside = np.round(np.minimum(line.bits[k - 1], line.bits[k + 1]))
    margin = 0.5 * line.bit * np.minimum(beside, 2.0)
    a, b = line.begin[k] - margin, line.end[k] + margin
    total = line.sums["diff"] - rec * np.arange(line.diff.size + 1)
    place = np.arange(total.size) - 0.5  # each sample stands for the interval around it
    area = np.interp(b, place, total) - np.interp(a, place, total)
    return centre(area / step - np.round(line.bits[k]) * line.bit)


def _edge_windows(x: Floats, edges: Floats, reach: float) -> tuple[Floats, Floats]:
    """x (n,) around the edges, (edges, k), and the time of each sample after its edge."""
    edges = edges[edges + reach < x.size - 2]
    if edges.size > _MOST_EDGES:
        edges = edges[:: edges.size // _MOST_EDGES + 1]
    first = np.ceil(edges).astype(np.int64)
    index = first[:, None] + np.arange(max(int(reach) + 1, 1))
    return x[np.minimum(index, x.size - 1)], index - edges[:, None]


def _long_runs(line: Line, dominant: bool, least: float) -> Floats:
    """Starts of the runs of one state with at least `least` bits, inside traffic."""
    chosen = (line.dominant == dominant) & (line.bits > least) & (line.bits < 40.0)
    return line.begin[chosen]


def _after_rising(line: Line, dom: float, step: float) -> dict[str, float]:
    window, time = _edge_windows(line.diff, _long_runs(line, True, 0.7), 0.8 * line.bit)
    if window.shape[0] < 3:
        return {}
    first = time < 0.5 * line.bit
    peak = np.where(first, window, -np.inf).max(axis=1)
    late = time > 0.2 * line.bit
    rms = _rms(np.where(late, window, np.nan))
    # rms takes the fall's beginning in when bits are short of nominal; the median leaves that out
    return {
        "overshoot": 100.0 * float(np.median(peak - dom)) / abs(step),
        "ring-dom": 100.0 * float(np.nanmedian(rms)) / abs(step),
    }


def _after_falling(line: Line, rec: float, step: float) -> dict[str, float]:
    window, time = _edge_windows(line.diff, _long_runs(line, False, 0.7), 0.9 * line.bit)
    if window.shape[0] < 3:
        return {}
    late = time > 0.2 * line.bit
    ring = np.sqrt(np.nanmean(np.where(late, window - rec, np.nan) ** 2, axis=1))
    places = line.begin[(~line.dominant) & (line.bits > 0.7)] + 0.5 * line.bit
    places = places[places < line.diff.size - 2]
    settle = smooth(line.diff, 3)[np.round(places).astype(np.int64)] - rec
    return {
        "undershoot": 100.0 * float(np.median(rec - window.min(axis=1))) / abs(step),
        "ring-rec": 100.0 * float(np.nanmedian(ring)) / abs(step),
        "tail": 100.0 * float(np.median(settle)) / abs(step),
    }


def _rms(window: Floats) -> Floats:
    return np.sqrt(np.nanmean((window - np.nanmean(window, axis=1, keepdims=True)) ** 2, axis=1))


def _times(line: Line, rate: float) -> dict[str, float]:
    if line.bit <= 0.0:
        return {}
    kbit = rate / line.bit / 1e3
    nearest = float(NOMINAL_KBIT[np.argmin(np.abs(np.log(NOMINAL_KBIT / kbit)))])
    distances = np.concatenate((np.diff(line.up), np.diff(line.down))) / line.bit
    distances = distances[distances < 10.5]
    out = {
        "bit": 1e3 / kbit,
        "slow-bit": 1e3 / kbit * line.slow,
        "rates": line.slow,
        "kbit": kbit,
        "off-nominal": 100.0 * (kbit / nearest - 1.0),
        "bias": 100.0 * line.bias,
    }
    if distances.size >= 4:
        off = distances - np.round(distances)
        out["jitter"] = 100.0 * mad_sigma(off)
        out["worst-jitter"] = 100.0 * float(np.quantile(np.abs(off), 0.98))
    return out


def _traffic(line: Line, rate: float) -> dict[str, float]:
    n = line.diff.size
    duration = n / rate
    out = {"edges": (line.up.size + line.down.size) / (1e3 * duration), "load": 0.0}
    if line.bit <= 0.0 or line.begin.size == 0:
        return out | {"frames": 0.0, "decoded": 0.0}
    inner = (line.end - line.begin)[line.frame >= 0].sum()
    out["load"] = 100.0 * float(inner) / n
    dominant = line.bits[line.dominant]
    out["longest"] = float(dominant.max()) / line.slow if dominant.size else 0.0
    out["runts"] = 100.0 * float(np.mean(line.bits < 0.6))
    short = line.bits[line.bits < 6.5]
    if short.size:
        out["off-grid"] = 100.0 * float(np.mean(np.abs(short - np.round(short)) > 0.25))
    return out | _frame_numbers(line, duration)


def _frame_numbers(line: Line, duration: float) -> dict[str, float]:
    frames = line.first.size
    out = {"frames": frames / duration, "decoded": 0.0}
    if frames == 0:
        return out
    closed = np.ones(frames, bool)
    # The last frame may be cut off by the end of the recording: no fault of the bus.
    closed[-1] = line.end[-1] + IDLE_BITS * line.slow * line.bit <= line.diff.size
    runs = np.where(line.dominant & (line.frame >= 0), line.bits / line.slow, 0.0)
    longest = np.zeros(frames)
    np.maximum.at(longest, np.maximum(line.frame, 0), runs)
    if closed.any():
        out["errors"] = 100.0 * float(np.mean(longest[closed] > 5.6))
    read = closed[: len(line.frames)]
    verdicts = np.array([f.verdict for f in line.frames])[read]
    if verdicts.size == 0:
        return out
    out["decoded"] = 100.0 * float(np.mean(verdicts == "ok"))
    out["broken"] = 100.0 * float(np.mean((verdicts != "ok") & (verdicts != "other")))
    valid = np.flatnonzero(read & np.array([f.verdict == "ok" for f in line.frames]))
    if valid.size:
        out["unacked"] = 100.0 * float(np.mean([not _acknowledged(line, int(k)) for k in valid]))
    return out


def _acknowledged(line: Line, k: int) -> bool:
    """Whether frame k has a dominant bit in the second place after its CRC."""
    start = line.begin[line.first[k]]
    place = start + (line.frames[k].raw_end + 1.5) * line.bit
    at = int(np.searchsorted(line.begin, place)) - 1
    return bool(0 <= at < line.dominant.size and line.dominant[at])


register_sheet("can", LEVELS | SHAPES | TIMES | TRAFFIC, _sheet)
