"""What is read off a current pulse through a coil: an injector's, an ignition coil's, a valve's.

One anatomy per pulse (`pulse_anatomies`): onset, rise, needle's kink, plateau or hold, release.
Theory: i(t) = V/R (1 - exp(-t R/L)) for a coil switched to a supply; the armature's motion adds a
counter-voltage, seen as a dip that ends in a kink when it lands (Ribbens, solenoid with motion).
"""

from __future__ import annotations

import numpy as np

from matching.measurements import Cut, measurement
from matching.measurements.picks import picked
from matching.tools import Floats, crossings, smooth
from refdb.cards import CardMeasurement

NAN = float("nan")
MOST = 120


def pulse_anatomies(cut: Cut, role: str) -> dict[str, Floats]:
    """One value per pulse of each quantity below, (events,), in A (the channel's unit) and s.

    peak.  slope: from 10 to 50 % of the peak, unit/s.  bow: time from 50 to 90 % over time from
    10 to 50 %.  to_half, to_peak: onset to 50 and 97 % of the peak.  jump: height 2 % of the
    width after onset, over the peak.  width: onset to release.  plateau: median of the last
    half before release.  tail: median of its last fifth.  pull: median from 20 to 40 % of the
    width. hold_ratio: plateau over peak.  fall: release to 10 %.  kink: largest upward change
    of slope in the rise over 0.15 ms, as a share of the peak per ms (0 without a needle).
    kink_at: when, after onset.  kink_level: current there. dip: largest drop below an earlier
    value between onset and release, over the peak. ripple: rms about the 0.3 ms average in the
    last 40 %.  chop_hz: its frequency. flat: share of the width within 4 % of the peak.
    late_slope: slope of the last fifth over the slope from onset to half.  charge: integral
    over the pulse, unit x s.  fit_slope, fit_rate, fit_step, fit_error: V/L (unit/s), R/L
    (1/s), step at onset and rms misfit over the peak of an RL rise fitted to the pulse up to 97
    % of its peak (`rl_fit`).
    """
    return cut.shared(f"pulse:{role}", lambda: _anatomies(cut, role))


def _anatomies(cut: Cut, role: str) -> dict[str, Floats]:
    marks = cut.events.marks
    if "pulse_start" not in marks or cut.events.n == 0:
        return {}
    x, rate = cut.channel(role), cut.rate_hz
    width = max(int(marks["smooth"][0]), int(12e-6 * rate), 1)
    calm = smooth(x, width)
    left = float(cut.signal.noise[cut.signal.row(role)]) / np.sqrt(width)
    rest = float(marks["levels"][0]) if cut.signal.row(role) == 0 else float(np.median(x))
    begin, end = marks["pulse_start"], marks["pulse_stop"]
    index = np.arange(begin.size)
    if index.size > MOST:
        index = np.linspace(0, index.size - 1, MOST).astype(np.int64)
    rows = [
        _pulse(calm, rate, left, rest, begin[k], end[k], end[k - 1] if k else 0.0)
        for k in index
        if end[k] - begin[k] > 4
    ]
    return {name: np.array([row[name] for row in rows]) for name in rows[0]} if rows else {}


def _pulse(
    x: Floats, rate: float, noise: float, rest: float, begin: float, end: float, earlier: float
) -> dict[str, float]:
    """The anatomy of the pulse between samples begin and end (trigger level passages)."""
    a = int(max(begin - 0.4e-3 * rate, earlier, 0))
    b = int(min(end + 0.3e-3 * rate + 0.6 * (end - begin), x.size))
    y = x[a:b] - rest
    inside = y[int(begin) - a : int(end) - a + 1]
    peak = float(inside.max())
    t10, t30, t50, t90, t97 = (_first(y, level * peak) for level in (0.1, 0.3, 0.5, 0.9, 0.97))
    onset = max(t10 - 0.5 * (t30 - t10), t10 - 0.2e-3 * rate, 0.0)
    release, fall = _release(y, int(end) - a, onset, rate)
    out = _rise(y, rate, peak, (onset, t10, t50, t90, t97))
    out |= _body(y, rate, noise, peak, onset, release)
    out |= _needle(y, rate, noise, peak, onset, release)
    if out["hold_ratio"] < 0.7:  # peak and hold: its phases bend more than a needle does
        out |= dict.fromkeys(("kink", "kink_at", "kink_level"), NAN)
    stop = int(min(max(t97, onset + 4), release)) + 1
    fit = rl_fit(y[int(np.ceil(onset)) : stop], rate)
    out |= {
        "fit_slope": fit[0], "fit_rate": fit[1], "fit_step": fit[2] / peak,
        "fit_error": _beyond(fit[3], noise, 0.004 * peak) / peak,
    }  # fmt: skip
    out["fall"] = fall
    return out


def _first(y: Floats, level: float) -> float:
    """First fractional sample at which y (n,) reaches the level."""
    k = int(np.argmax(y >= level))
    if k == 0 or y[k] == y[k - 1]:
        return float(k)
    return k - 1 + float(np.clip((level - y[k - 1]) / (y[k] - y[k - 1]), 0.0, 1.0))


def rl_fit(y: Floats, rate: float) -> tuple[float, float, float, float]:
    """V/L, R/L, current at the start and rms misfit of an RL rise y (n,), n >= 4, by least squares.

    L di/dt + R i = V integrates to i(t) = i(0) + (V/L) t - (R/L) times the integral of i, which
    is linear in the three unknowns and needs no derivative of the noise.
    """
    if y.size < 4:
        return NAN, NAN, NAN, NAN
    t = np.arange(y.size) / rate
    area = np.concatenate(([0.0], np.cumsum(0.5 * (y[1:] + y[:-1])))) / rate
    scale = np.array([t[-1], max(float(np.abs(area).max()), 1e-30), 1.0])
    table = np.column_stack((t, -area, np.ones(y.size))) / scale
    solution, *_ = np.linalg.lstsq(table, y, rcond=1e-9)
    miss = float(np.sqrt(np.mean((table @ solution - y) ** 2)))
    slope, decay, start = solution / scale
    return float(slope), float(decay), float(start), miss


def _release(y: Floats, end: int, onset: float, rate: float) -> tuple[float, float]:
    """Where the pulse is let go (fractional sample), and seconds from there to a tenth.

    The plateau is a median of the pulse's end; the release is put back from the last
    passage of 65 % along the chord to 15 %, so that ripple on the plateau does not count.
    """
    release, _ = _let_go(y, end, onset, float(end), 0.5, rate)
    rest = y[int(release) : end]
    half = rest.size // 2
    if half > 0.1e-3 * rate and rest[half:].mean() > 0.7 * rest[:half].mean():
        # what was let go was the pull-in phase; a hold phase, flat and lower, followed it
        share = (end - release) / max(end - onset, 1.0)
        release, _ = _let_go(y, end, onset, float(end), share, rate)
    return _let_go(y, end, onset, release, 0.15, rate)  # a slow release had its share before


def _let_go(
    y: Floats, end: int, onset: float, until: float, share: float, rate: float
) -> tuple[float, float]:
    """`_release` with the plateau taken from the last `share` of what lies before `until`."""
    middle = int(until - share * (until - onset))
    plateau = float(np.median(y[middle : max(int(until), middle + 1)]))
    high = np.flatnonzero(y[: min(end + 1, y.size)] > 0.65 * plateau)
    top = float(high[-1]) if high.size else float(end)
    tail = y[int(top) :]
    low = np.flatnonzero(tail < 0.15 * plateau)
    if low.size == 0:
        return top, (y.size - top) / rate
    top += _part(y, int(top), 0.65 * plateau)
    k = int(high[-1] if high.size else end) + int(low[0])
    foot = k - 1 + _part(y, k - 1, 0.15 * plateau)
    chord = max(foot - top, 0.0)
    return max(top - 0.7 * chord, onset + 1.0), 1.8 * chord / rate


def _part(y: Floats, k: int, level: float) -> float:
    """How far between samples k and k + 1 a falling y (n,) passes the level, 0 to 1."""
    if k < 0 or k + 1 >= y.size or y[k] <= y[k + 1]:
        return 0.0
    return float(np.clip((y[k] - level) / (y[k] - y[k + 1]), 0.0, 1.0))


def _rise(y: Floats, rate: float, peak: float, times: tuple[float, ...]) -> dict[str, float]:
    onset, t10, t50, t90, t97 = times
    first = max(t50 - t10, 0.3)
    return {
        "peak": peak, "slope": 0.4 * peak * rate / first, "bow": max(t90 - t50, 0.1) / first,
        "to_half": (t50 - onset) / rate, "to_peak": (t97 - onset) / rate,
    }  # fmt: skip


def _body(
    y: Floats, rate: float, noise: float, peak: float, onset: float, release: float
) -> dict[str, float]:
    width = max(release - onset, 2.0)

    def part(lo: float, hi: float) -> Floats:
        a = int(onset + lo * width)
        return y[a : max(int(onset + hi * width), a + 1)]

    plateau = float(np.median(part(0.5, 0.97)))
    last = part(0.55, 0.95)
    ripple = last - smooth(last, max(3, int(0.3e-3 * rate)))
    end = part(0.8, 0.97)
    late = (float(end[-1]) - float(end[0])) / max(end.size - 1, 1)
    half = max(_first(y, 0.5 * peak) - onset, 0.5)
    whole = part(0.0, 1.0)
    return {
        "width": width / rate, "plateau": plateau, "tail": float(np.median(end)),
        "pull": float(np.median(part(0.2, 0.4))),
        "hold_ratio": plateau / max(peak, 1e-12),
        "jump": float(part(0.02, 0.035)[0]) / max(peak, 1e-12),
        "ripple": _beyond(float(np.sqrt(np.mean(ripple**2))), noise, 0.01 * peak),
        "chop_hz": _chop(ripple, rate) if ripple.std() > 2.5 * noise else NAN,
        "flat": float(np.mean(whole > 0.96 * peak)),
        "late_slope": late / max(0.5 * peak / half, 1e-12), "charge": float(whole.sum()) / rate,
    }  # fmt: skip


def _beyond(size: float, noise: float, floor: float) -> float:
    """An rms size without the noise's share, above a floor that every instrument can see."""
    return float(np.sqrt(max(size**2 - noise**2, 0.0) + floor**2))


def _chop(ripple: Floats, rate: float) -> float:
    """Frequency of a chopping ripple (n,) from its upward crossings; NaN when it hardly turns."""
    up, _ = crossings(ripple, 0.0, 1.2 * float(ripple.std()))
    return float(rate / np.mean(np.diff(up))) if up.size > 2 else NAN


def _needle(
    y: Floats, rate: float, noise: float, peak: float, onset: float, release: float
) -> dict[str, float]:
    """The needle's landing: where the slope turns upwards, and what the dip before it takes."""
    a, b = int(onset), int(release)
    lag = max(1, round(0.15e-3 * rate))
    rise = smooth(y[a : b + 1], max(1, int(50e-6 * rate)))
    if rise.size < 2 * lag + 3:
        return {"kink": NAN, "kink_at": NAN, "kink_level": NAN, "dip": NAN}
    bend = (rise[2 * lag :] - 2.0 * rise[lag:-lag] + rise[: -2 * lag]) * 1e-3 * rate / lag
    bend[: max(1, int(0.2e-3 * rate) - lag)] = -np.inf  # the onset itself turns upwards
    k = int(np.argmax(bend))
    drop = float((np.maximum.accumulate(rise) - rise)[: -max(1, lag // 3)].max())
    return {
        "kink": float(bend[k]) / peak, "kink_at": (k + lag) / rate,
        "kink_level": float(rise[k + lag]), "dip": max(drop - 5.0 * noise, 0.0) / peak,
    }  # fmt: skip


@measurement("current-pulse")
def current_pulse(cut: Cut, wanted: CardMeasurement) -> float:
    """One quantity of the pulses (`what`, see `pulse_anatomies`), reduced as `pick` says.

    Unit: A, s or none as the quantity has it, times `factor`. Source: the RL step response,
    i(t) = V/R (1 - exp(-t R/L)), whose first slope is V/L. of = "long" looks only at pulses over
    three quarters of the longest: short ones of a split injection never reach their hold phase.
    """
    parts = pulse_anatomies(cut, wanted.role)
    values = parts.get(wanted.params["what"])
    if values is not None and wanted.params.get("of") == "long":
        values = values[parts["width"] > 0.75 * parts["width"].max()]
    return picked(values, wanted)


@measurement("current-pulse-pair")
def current_pulse_pair(cut: Cut, wanted: CardMeasurement) -> float:
    """Shortest over longest width of the pulses: a split injection has a short second one."""
    width = pulse_anatomies(cut, wanted.role).get("width")
    return NAN if width is None else float(width.min() / width.max())


@measurement("current-at")
def current_at(cut: Cut, wanted: CardMeasurement) -> float:
    """Current `ms` into a pulse over its `over` (a quantity) or absolute, by `pick`.

    Counted from the trigger level; NaN for pulses that end sooner or shortly after.
    """
    parts = pulse_anatomies(cut, wanted.role)
    if not parts:
        return NAN
    x, rate = cut.channel(wanted.role), cut.rate_hz
    rest = float(cut.events.marks["levels"][0])
    values = []
    for begin, end in zip(
        cut.events.marks["pulse_start"], cut.events.marks["pulse_stop"], strict=True
    ):
        place = begin + float(wanted.params["ms"]) * 1e-3 * rate
        if place < end - max(0.15 * (end - begin), 2.0):
            k = int(place)
            values.append(float(x[max(k - 2, 0) : k + 3].mean()) - rest)
    out = picked(np.array(values), wanted)
    return out / picked(parts["peak"], wanted) if wanted.params.get("over") == "peak" else out


def group_starts(start: Floats) -> tuple[Floats, Floats]:
    """First pulse of each group of starts (n,), and where a group begins as indices.

    Pulses form groups where the longest pause is over four times the shortest: the injections of
    one engine cycle. Else every pulse is its own group.
    """
    gap = np.diff(start)
    if gap.size < 1 or gap.max() < 4.0 * gap.min():
        return start, np.arange(start.size).astype(float)
    first = np.concatenate(([0], np.flatnonzero(gap > 0.5 * gap.max()) + 1))
    return start[first], first.astype(float)


@measurement("pulse-interval")
def pulse_interval(cut: Cut, wanted: CardMeasurement) -> float:
    """Time from start to start of the pulses (or groups, `group_starts`), by `pick`, in s.

    Times `factor`. With pick "longest" or "shortest": the largest or smallest over the median, so
    that a missing pulse reads 2. What the recording shows before the first and after the last
    start counts for the longest.
    """
    start, _ = group_starts(cut.events.marks.get("pulse_start", cut.events.anchor))
    if start.size < 2:
        return NAN
    gap = np.diff(start) / cut.rate_hz
    how = wanted.params.get("pick", "median")
    if how in ("longest", "shortest"):
        if gap.size < 2:
            return NAN
        usual = float(np.median(gap))
        outer = max(float(start[0]), cut.signal.n - float(start[-1])) / cut.rate_hz
        return (max(float(gap.max()), outer) if how == "longest" else float(gap.min())) / usual
    return picked(gap, wanted)


@measurement("closest-pulses")
def closest_pulses(cut: Cut, wanted: CardMeasurement) -> float:
    """Shortest over longest time from start to start: small with a second pulse in a cycle."""
    start = cut.events.marks.get("pulse_start", cut.events.anchor)
    if start.size < 3:
        return NAN
    gap = np.diff(start)
    return float(gap.min() / gap.max())


@measurement("pulse-duty")
def pulse_duty(cut: Cut, wanted: CardMeasurement) -> float:
    """Width of the pulses over their interval, median, in per cent."""
    parts = pulse_anatomies(cut, wanted.role)
    start, _ = group_starts(cut.events.marks.get("pulse_start", cut.events.anchor))
    if not parts or start.size < 2:
        return NAN
    return 100.0 * float(np.median(parts["width"])) * cut.rate_hz / float(np.median(np.diff(start)))


@measurement("pulses-per-group")
def pulses_per_group(cut: Cut, wanted: CardMeasurement) -> float:
    """Pulses in one engine cycle: mean over the groups (`group_starts`) the recording holds whole.

    The first and last group count only when there is no other.
    """
    start = cut.events.marks.get("pulse_start", cut.events.anchor)
    if start.size < 3:
        return NAN
    _, first = group_starts(start)
    if first.size > 1:
        whole = np.diff(first)
        return float(np.mean(whole[1:] if whole.size > 1 else whole))
    return float(start.size) / first.size


@measurement("pulses-per-second")
def pulses_per_second(cut: Cut, wanted: CardMeasurement) -> float:
    """Number of pulses over the length of the recording, in Hz: falls when pulses are missing."""
    return cut.events.n * cut.rate_hz / cut.signal.n
