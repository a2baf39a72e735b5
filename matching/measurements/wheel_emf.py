"""What is read off an inductive sensor's teeth: size, flux, symmetry, run-out, odd teeth."""

from __future__ import annotations

import numpy as np

from matching.events.wheel_track import running_median
from matching.measurements import Cut
from matching.measurements.sheet import register_sheet
from matching.measurements.wheels import Wheel, fold, neighbours, wheel_of
from matching.tools import Floats, mad_sigma, thin
from refdb.cards import CardMeasurement

SIZE = {
    "vpp": "Peak to peak of a tooth, V, median.",
    "flux": "Peak to peak times the pitch, mV s: emf over speed, so it stays while speed changes.",
    "top": "Positive peak of a tooth above the emf's zero, V, median.",
    "bottom": "Negative peak of a tooth below the emf's zero, V, median.",
    "offset": "Mean over whole teeth, V: an emf has none, so this is the instrument or a leak.",
    "smallest": "Smallest tooth (2 % quantile) over the usual one, 1.",
    "largest": "Largest tooth (98 % quantile) over the usual one, 1.",
    "weakest": "Weakest peak to peak of the recording, lost teeth included, V.",
}
SHAPE = {
    "symmetry": "(top - bottom) / (top + bottom), 1.",
    "steepness": "Slope at the tooth edge over peak to peak per pitch, 1.",
    "slopes": "Slope at the tooth edge over that at the opposite edge, 1.",
    "hash": "rms against the usual tooth form at 24 places, % of peak to peak, median.",
    "hash-worst": "The same for the worst tooth in fifty, %.",
    "noise": "Noise rms over peak to peak, %.",
    "gap-level": "Mean level inside the reference gap over peak to peak, %.",
    "gap-bump": "Largest excursion in the middle of the gap over peak to peak, %.",
}
TRAIN = {
    "run-out": "Amplitude of the flux at once per turn over its mean, %.",
    "run-out-2": "Amplitude of the flux at twice per turn over its mean, %.",
    "modulation": "Range (5 to 95 %) of the flux over its median, single teeth smoothed out, %.",
    "odd-small": "How far the smallest tooth lies below its neighbours, %: 100 for a lost one.",
    "odd-large": "How far the largest tooth lies above its neighbours, gap left out, %.",
    "odd-folded": "The smallest place on the wheel against its neighbours, over the turns, %.",
    "odd-form": "Largest form error that stays at its place turn after turn, %.",
    "tooth-spread": "Robust spread of the teeth against their neighbours, %.",
    "gap-teeth": "Teeth beside the gap over the usual ones, 1.",
}
_PLACES = 24


def _sheet(cut: Cut, wanted: CardMeasurement) -> dict[str, float]:
    wheel = wheel_of(cut)
    x = cut.channel(wanted.role)
    if wheel is None:
        return _no_teeth(x)
    sign = -1.0 if wheel.lean < -0.5 else 1.0
    zero = float(x[int(wheel.edge[0]) : int(wheel.edge[-1]) + 1].mean())
    z = sign * (x - zero)
    top, bottom = _lobes(z, wheel)
    vpp = top + bottom
    out = _sizes(wheel, vpp, top, bottom, sign, cut.rate_hz)
    usual = max(out["vpp"], 1e-12)
    noise = float(cut.signal.noise[cut.signal.row(wanted.role)])
    out |= {"offset": zero, "noise": 100.0 * noise / usual}
    out |= _train(wheel, vpp) | _forms(z, wheel, vpp, usual) | _gap(z, wheel, usual)
    return out


def _no_teeth(x: Floats) -> dict[str, float]:
    """Size and offset of a recording without teeth: an open or dead sensor."""
    low, high = np.quantile(thin(x), [0.005, 0.995])
    return {"vpp": float(high - low), "weakest": 0.0, "offset": float(np.median(thin(x)))}


def _lobes(z: Floats, wheel: Wheel) -> tuple[Floats, Floats]:
    """Positive peak before and negative peak after each tooth edge but the outermost: (n - 2,)."""
    index = np.clip(np.ceil(wheel.edge).astype(np.int64), 0, z.size - 1)
    high = np.maximum.reduceat(z, index)[:-1]
    low = np.minimum.reduceat(z, index)[:-1]
    return high[:-1], -low[1:]


def _sizes(
    wheel: Wheel, vpp: Floats, top: Floats, bottom: Floats, sign: float, rate: float
) -> dict[str, float]:
    plain = wheel.plain[:-1] & wheel.plain[1:]
    if plain.sum() < 4:
        plain = np.ones(vpp.size, bool)
    pitch = wheel.pitch[1:-1] / rate
    usual = float(np.median(vpp[plain]))
    high, low = float(np.median(top[plain])), float(np.median(bottom[plain]))
    if sign < 0:
        high, low = low, high
    flux = vpp * pitch
    ratio = (vpp / neighbours(vpp))[plain]
    return {
        "vpp": usual,
        "flux": 1e3 * float(np.median(flux[plain])),
        "top": high,
        "bottom": low,
        "symmetry": (high - low) / max(high + low, 1e-12),
        "smallest": float(np.quantile(ratio, 0.02)),
        "largest": float(np.quantile(ratio, 0.98)),
        "weakest": 0.0 if _lost(wheel) else float(vpp[plain].min()),
    }


def _lost(wheel: Wheel) -> bool:
    """Whether a tooth is missing elsewhere than at the reference gap, run-up left out."""
    return bool(np.any(wheel.ratio[~wheel.gap & wheel.steady] > 1.5))


def _train(wheel: Wheel, vpp: Floats) -> dict[str, float]:
    """Teeth against their neighbours and around the turn; vpp of the inner teeth (n - 2,)."""
    flux = vpp * wheel.pitch[1:-1]
    beside = ~(wheel.plain[:-1] & wheel.plain[1:])
    off = flux / neighbours(flux) - 1.0
    inner = off[~beside]
    if inner.size < 6:
        return {}
    lost = _lost(wheel)
    out = {
        "odd-small": 100.0 if lost else -100.0 * float(inner.min()),
        "odd-large": 100.0 * float(inner.max()),
        "tooth-spread": 100.0 * mad_sigma(inner),
    }
    gap_side = np.flatnonzero(wheel.gap)
    if gap_side.size:
        k = np.concatenate((gap_side - 1, gap_side))
        k = k[(k >= 0) & (k < off.size)]
        if k.size:
            out["gap-teeth"] = 1.0 + float(np.median(off[k]))
    folded = fold(wheel, np.append(off, 0.0), np.append(~beside, False))
    if folded.size:
        # A lost tooth has no size to fold; one lost in most turns is the smallest there can be.
        gone = np.sum(wheel.ratio[~wheel.gap & wheel.steady] > 1.5) > 0.5 * max(wheel.turns, 1.0)
        out["odd-folded"] = 100.0 if gone else -100.0 * float(folded.min())
    calm = running_median(flux[~beside], 7)
    low, middle, high = np.quantile(calm, [0.05, 0.5, 0.95])
    out["modulation"] = 100.0 * float((high - low) / middle)
    return out | _run_out(wheel, flux, ~beside)


def _run_out(wheel: Wheel, flux: Floats, chosen: np.ndarray) -> dict[str, float]:
    """First and second order of the flux over the turn, by least squares with a slow trend.

    The trend (up to the square of the angle) takes what warming up and running up change.
    """
    turn = wheel.turn or _best_turn(flux[chosen])
    angle = wheel.place[1:-1][chosen] / turn
    if angle.size < 20 or angle[-1] - angle[0] < 0.9:
        return {}
    size = flux[chosen] / float(np.median(flux[chosen]))
    far = (angle - angle.mean()) / max(float(np.ptp(angle)), 1e-9)
    columns = [np.ones_like(angle)]
    if np.ptp(angle) > 1.8:
        columns += [far, far**2]
    for order in (1.0, 2.0):
        columns += [np.cos(2 * np.pi * order * angle), np.sin(2 * np.pi * order * angle)]
    found = np.linalg.lstsq(np.stack(columns, axis=1), size, rcond=None)[0]
    return {
        "run-out": 100.0 * float(np.hypot(found[-4], found[-3]) / abs(found[0])),
        "run-out-2": 100.0 * float(np.hypot(found[-2], found[-1]) / abs(found[0])),
    }


def _best_turn(flux: Floats) -> float:
    """Teeth after which the sizes repeat best, 20 to 140; 48 when nothing does (wheel speed)."""
    if flux.size < 60:
        return 48.0
    calm = flux / running_median(flux, min(flux.size // 2 * 2 - 1, 141)) - 1.0
    calm = calm - calm.mean()
    power = np.abs(np.fft.rfft(calm, 4 * flux.size)) ** 2
    likeness = np.fft.irfft(power)[: flux.size // 2]
    low, high = 20, min(140, likeness.size - 1)
    if high <= low or likeness[0] <= 0:
        return 48.0
    lag = low + int(np.argmax(likeness[low:high]))
    return float(lag) if likeness[lag] > 0.3 * likeness[0] else 48.0


def _forms(z: Floats, wheel: Wheel, vpp: Floats, usual: float) -> dict[str, float]:
    """Each plain tooth's form against the usual one, and the slopes at its edges."""
    k = np.flatnonzero(wheel.plain[:-1] & wheel.plain[1:]) + 1  # edges between two plain pitches
    if k.size < 6:
        return {}
    phase = (np.arange(_PLACES) + 0.5) / _PLACES - 0.5
    places = wheel.edge[k][:, None] + phase * wheel.pitch[k][:, None]
    form = _at(z, places) / neighbours(vpp)[k - 1][:, None]
    mean = np.median(form, axis=0)
    error = 100.0 * np.sqrt(np.mean((form - mean) ** 2, axis=1))
    folded = np.zeros(wheel.ratio.size)
    folded[k] = error
    chosen = np.zeros(wheel.ratio.size, bool)
    chosen[k[k < wheel.ratio.size]] = True
    out = {
        "hash": float(np.median(error)),
        "hash-worst": float(np.quantile(error, 0.98)),
    }
    by_place = fold(wheel, folded, chosen)
    if by_place.size:
        out["odd-form"] = float(by_place.max())
    step = mean[1:] - mean[:-1]
    at_edge = -float(step[_PLACES // 2 - 2 : _PLACES // 2 + 1].mean()) * _PLACES
    other = float(np.concatenate((step[:1], step[-1:])).mean()) * _PLACES
    out["steepness"] = at_edge
    out["slopes"] = at_edge / other if other > 0.2 else float("nan")
    return out


def _at(z: Floats, places: Floats) -> Floats:
    places = np.clip(places, 0.0, z.size - 1.001)
    left = places.astype(np.int64)
    part = places - left
    return z[left] * (1.0 - part) + z[left + 1] * part


def _gap(z: Floats, wheel: Wheel, usual: float) -> dict[str, float]:
    """Level and bumps in the middle half of the reference gaps."""
    k = np.flatnonzero(wheel.gap)
    if k.size == 0:
        return {}
    begin, end = wheel.edge[k], wheel.edge[k + 1]
    pitch = wheel.pitch[k]
    # The last negative lobe takes half a pitch, the next positive one as much.
    a, b = begin + 0.75 * pitch, end - 0.75 * pitch
    ok = b - a > 4
    if not ok.any():
        return {}
    phase = (np.arange(32) + 0.5) / 32
    window = _at(z, a[ok, None] + phase * (b - a)[ok, None])
    level = np.median(window, axis=1)
    return {
        "gap-level": 100.0 * float(np.median(level)) / usual,
        "gap-bump": 100.0 * float(np.median(np.abs(window - level[:, None]).max(axis=1))) / usual,
    }


register_sheet("emf", SIZE | SHAPE | TRAIN, _sheet)
