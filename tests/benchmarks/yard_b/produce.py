"""One job from start to end: draw the vehicle, break it, record it, write the file, describe it."""

from __future__ import annotations

import copy
from pathlib import Path
from zlib import crc32

import numpy as np

from .common import Array, Case, Context, Fault, Rng
from .instrument import (
    INSTRUMENTS,
    Instrument,
    Recorded,
    Settings,
    choose_attenuation,
    clipping_attenuation,
    dead,
    record,
    usable_rates,
)
from .plan import BANDS, Job
from .registry import CONTEXTS
from .writers import Sheet, write

MAX_SAMPLES = 300_000
MIN_SAMPLES = 5_000
MAX_SIMULATED = 1_500_000
NOTES = (
    "",
    "",
    "",
    "warm",
    "bay 1",
    "bay 2",
    "bay 3",
    "second try",
    "customer waiting",
    "long lead",
)
Row = dict[str, str]


def stream(seed: int, job: Job, context: Context) -> Rng:
    return np.random.default_rng(
        [seed, crc32(context.key.encode()), int(job.library), job.serial, 1]
    )


def find_fault(context: Context, name: str) -> Fault:
    return next(f for f in context.known + context.unknown if f.name == name)


def make_case(context: Context, job: Job, rng: Rng) -> tuple[Case, float]:
    sound = context.draw(rng)
    if not job.fault:
        return Case(sound), 0.0
    strength = float(rng.uniform(*BANDS[job.severity]))
    broken = copy.deepcopy(sound)
    find_fault(context, job.fault).apply(broken, strength, rng)
    return Case(sound, broken, job.intermittent, float(rng.uniform(0.25, 0.55))), strength


def choose_instrument(context: Context, rng: Rng) -> tuple[Instrument, float]:
    options = [(d, r) for d in INSTRUMENTS for r in usable_rates(d, *context.rates)]
    devices = sorted({d.name for d, _ in options})
    name = devices[int(rng.integers(len(devices)))]
    mine = [(d, r) for d, r in options if d.name == name]
    return mine[int(rng.integers(len(mine)))]


def choose_span(context: Context, job: Job, fs: float, rng: Rng) -> float:
    lo, hi = context.span
    span = float(np.exp(rng.uniform(np.log(lo), np.log(hi))))
    if job.intermittent:  # needs enough events for some to be sound and some not
        span = max(span, 8 * context.event)
    if job.unfit == "too-short":
        return context.event * float(rng.uniform(0.08, 0.2))
    return float(np.clip(span, min(MIN_SAMPLES / fs, hi), max(MAX_SAMPLES / fs, lo * 0.5)))


def simulate(
    context: Context, case: Case, fs: float, span: float, seed: list[int]
) -> tuple[Array, float]:
    """The physical signal at a whole multiple of fs high enough for the model's edges."""
    n = min(int(span * fs), MAX_SAMPLES)
    step = max(1, int(np.ceil(context.sim_rate / fs)))
    step = max(1, min(step, MAX_SIMULATED // max(n, 1)))
    rng = np.random.default_rng(seed)
    signal = context.render(case, fs * step, n * step, rng)
    return (signal[:, None] if signal.ndim == 1 else signal), fs * step


def settings_for(context: Context, job: Job, device: Instrument, fs: float, rng: Rng) -> Settings:
    sensor = context.sensors[int(rng.integers(len(context.sensors)))]
    coupling = context.coupling
    if job.unfit.startswith("coupling"):
        coupling = "dc" if coupling == "ac" else "ac"
    return Settings(
        device,
        sensor,
        fs,
        1.0,
        coupling,
        float(rng.uniform(*context.ac_corner)),
        bool(rng.random() < 0.8),
        True,
    )


def with_attenuation(settings: Settings, attenuation: float, **changes: object) -> Settings:
    fields = {**settings.__dict__, "attenuation": attenuation, **changes}
    return Settings(**fields)


def peak_seen(context: Context, signal: Array, settings: Settings) -> float:
    """Largest volts at the plug that this coupling lets through, or the habit figure if that is
    larger.
    """
    usual = context.peak / settings.sensor.per_volt
    if settings.coupling == "ac" and context.coupling == "dc":
        return float(np.abs(signal - signal.mean()).max()) / settings.sensor.per_volt
    return max(float(np.abs(signal).max()) * 1.05 / settings.sensor.per_volt, usual)


def take(context: Context, job: Job, case: Case, rng: Rng, seed: list[int]) -> Recorded:
    device, fs = choose_instrument(context, rng)
    span = choose_span(context, job, fs, rng)
    settings = settings_for(context, job, device, fs, rng)
    if job.unfit in ("dead", "open"):
        n = min(max(int(span * fs), MIN_SAMPLES), MAX_SAMPLES)
        attenuation = choose_attenuation(
            rng, context.peak / settings.sensor.per_volt, device.full, 0
        )
        return dead(
            n,
            len(context.channels),
            with_attenuation(settings, attenuation),
            context.hum,
            job.unfit == "open",
            rng,
        )
    if job.unfit == "under-sampled":
        return take_slowly(context, case, settings, rng, seed)
    signal, fs_sim = simulate(context, case, fs, span, seed)
    peak = peak_seen(context, signal, settings)
    if job.unfit == "clipped":
        return take_clipped(signal, fs_sim, settings, rng)
    attenuation = choose_attenuation(rng, peak, device.full, 0.0 if device.bits == 8 else 0.15)
    return record(signal, fs_sim, with_attenuation(settings, attenuation), rng)


def take_clipped(signal: Array, fs_sim: float, settings: Settings, rng: Rng) -> Recorded:
    """Too small an attenuator; where none clips part of the signal, an odd probe ratio does."""
    size = np.abs(signal) / settings.sensor.per_volt
    high, peak = float(np.percentile(size, 99.5)), float(size.max())
    # Interference spikes alone are no clipping worth the name, but a firing line is.
    if high > 0.25 * peak:
        peak = high
    full = settings.instrument.full
    attenuation = clipping_attenuation(peak, full)
    if attenuation is None or float(np.mean(size > attenuation * full)) > 0.9:
        # Cut between the usual level and the peaks, so that something of the signal is left.
        low = float(np.percentile(size, 20))
        attenuation = float(f"{(low + (peak - low) * rng.uniform(0.3, 0.75)) / full:.3g}")
    return record(signal, fs_sim, with_attenuation(settings, attenuation), rng)


def take_slowly(
    context: Context, case: Case, settings: Settings, rng: Rng, seed: list[int]
) -> Recorded:
    """A rate far too low: half of the recorders then alias, the other half smear."""
    fs = float(int(np.exp(rng.uniform(*np.log(context.low_rates)))))
    smear = bool(rng.random() < 0.5)
    span = min(max(context.span[1], context.event * 12), MAX_SIMULATED / max(context.sim_rate, fs))
    step = max(1, int(max(context.sim_rate, context.rates[0]) / fs))
    n = int(span * fs)
    signal = context.render(case, fs * step, n * step, np.random.default_rng(seed))
    signal = signal[:, None] if signal.ndim == 1 else signal
    peak = peak_seen(context, signal, settings)
    attenuation = choose_attenuation(rng, peak, settings.instrument.full, 0)
    slow = with_attenuation(settings, attenuation, fs=fs, anti_alias=smear)
    return record(signal, fs * step, slow, rng)


def declared_coupling(job: Job, settings: Settings) -> str:
    if job.unfit == "coupling-hidden":
        return "ac" if settings.coupling == "dc" else "dc"
    return settings.coupling


def why(job: Job, recorded: Recorded, strength: float) -> str:
    s = recorded.settings
    words = [s.instrument.name, f"{s.fs:.6g} S/s", f"x{s.attenuation:g}", s.coupling]
    if job.unfit:
        words.insert(0, job.unfit)
    if job.fault:
        words.insert(0, f"strength {strength:.2f}")
    if s.coupling == "ac":
        words.append(f"corner {s.ac_corner:.2g} Hz")
    return ", ".join(words)


def produce(task: tuple[Job, int, str]) -> tuple[Row, Row]:
    """Make one capture file; returns its manifest row and its truth row."""
    job, seed, folder = task
    context = CONTEXTS[job.context]
    rng = stream(seed, job, context)
    case, strength = make_case(context, job, rng)
    render_seed = [seed, crc32(context.key.encode()), int(job.library), job.serial, 2]
    recorded = take(context, job, case, rng, render_seed)
    stem = Path(folder) / "files" / context.system / job.name
    path, file_cells = write(stem, Sheet(recorded, context.channels), rng)
    relative = path.relative_to(folder).as_posix()
    vehicle = (
        f"{'L' if job.library else 'Q'}-{crc32(context.key.encode()) % 1000:03d}-{job.serial:03d}"
    )
    manifest = {
        "path": relative,
        "system": context.system,
        "engine_family": context.family,
        "condition": context.condition,
        "label": "good" if job.kind == "good" else "fault",
        "fault": job.fault,
        "vehicle": vehicle,
        "channels": ",".join(f"{name}={unit}" for name, unit in context.channels),
        "coupling": declared_coupling(job, recorded.settings),
        "note": NOTES[int(rng.integers(len(NOTES)))],
        **file_cells,
    }
    truth = {
        "path": relative,
        "kind": job.kind,
        "fault": job.fault,
        "severity": job.severity,
        "intermittent": "yes" if job.intermittent else "no",
        "vehicle": vehicle,
        "why": why(job, recorded, strength),
    }
    return manifest, truth
