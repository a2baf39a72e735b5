"""Is the capture fit to judge? Findings with a stable code, a severity and what to do."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from matching.answer import Finding
from matching.profile import Inspection
from matching.tools import Floats
from refdb.cards import SystemCard

# All of these are common practice, no source; each was set by what it means, then tried on two
# independently written sets of simulated captures (tests/benchmarks/yard_a, yard_b).
SLOW_SHARE = 0.3  # of the slowest good reference's rate: below, its features cannot be there
SHORT_SHARE = 0.3  # of the shortest good reference: below, and without events, nothing is shown
DEAD_SHARE = 0.15  # of the smallest good swing: below, nothing of the signal is left
DEAD_NOISE = 10.0  # times the noise, peak to peak: noise alone spans six to eight
DEAD_STEPS = 4.0  # quantisation steps: idle codes and hum
RAIL_SHARE = 0.002  # of all samples on the extreme code: less is an ordinary peak
RAIL_RUN = 3.0  # samples in a row on the extreme code: fewer is an ordinary peak
RAIL_LEVEL = 0.2  # of all samples on one code: a level, be it its own or the instrument's
RAIL_SHORT = 0.02  # of the swing short of the references' level: a level that was cut
RAIL_EVENTS = 0.8  # of the events end on the very same extreme: peaks that differ do not
RAIL_CODES = 60.0  # codes the swing must cover: on fewer, peaks share a code by chance
RAIL_AWAY = 0.3  # of the swing, from the middle to the extreme: a calm line rests on its code
AC_CENTRE = 0.15  # mean over the references' mean of a capture that lost its DC part
AC_SHIFT = 0.3  # of the references' mean: how far below all of them it reaches then
DC_EXCESS = 5.0  # times the largest reference swing: a DC part that none of them has


@dataclass(frozen=True, slots=True, eq=False)
class Peers:
    """Fitness figures of the references a capture will be compared with.

    exact: they are of the capture's own context, so that it must share their levels.
    """

    good: tuple[Mapping[str, float], ...]
    fault: tuple[Mapping[str, float], ...]
    coupling: str | None
    exact: bool = True

    def good_values(self, name: str) -> Floats:
        """That figure of every good reference which has it: (n,)."""
        return np.array([f[name] for f in self.good if name in f], dtype=np.float64)

    def all_values(self, name: str) -> Floats:
        """That figure of every reference which has it: (n,)."""
        return np.array([f[name] for f in (*self.good, *self.fault) if name in f])


def assess(card: SystemCard, seen: Inspection, peers: Peers) -> tuple[Finding, ...]:
    """Every finding on a capture, blocking ones first. peers may be empty: then less is seen."""
    fit = seen.profile.fit
    found = [*_rate(card, fit, peers), *_length(card, seen, peers), *_coupling(card, seen, peers)]
    for role, unit in zip(seen.profile.roles, seen.profile.units, strict=True):
        dead = list(_dead(card, role, unit, fit, peers))
        found += dead if dead else list(_rail(role, fit, peers, seen.attenuation))
        found += _noise(role, unit, fit, peers)
    if "clipped" not in {f.code for f in found}:
        found += _overload(fit, seen.attenuation)
    found += [Finding("time-axis", "limiting", remark) for remark in seen.remarks]
    return tuple(sorted(found, key=lambda f: f.severity != "blocking"))


def _rate(card: SystemCard, fit: Mapping[str, float], peers: Peers) -> Iterator[Finding]:
    rate = fit["rate_hz"]
    least = card.fitness.min_rate_hz
    known = peers.all_values("rate_hz")
    if known.size:
        least = max(least, SLOW_SHARE * float(known.min()))
    if rate < least:
        yield Finding(
            "rate-too-low", "blocking",
            f"sampled at {si(rate)}S/s, {card.title} needs at least {si(least)}S/s: "
            "record again at a higher rate",
        )  # fmt: skip
        return
    missed = [m.name for m in card.measurements if rate < m.needs_rate_hz]
    if missed:
        need = max(m.needs_rate_hz for m in card.measurements if rate < m.needs_rate_hz)
        yield Finding(
            "rate-limits", "limiting",
            f"sampled at {si(rate)}S/s: {', '.join(missed)} cannot be judged; "
            f"record at {si(need)}S/s or more to judge them",
        )  # fmt: skip


def _length(card: SystemCard, seen: Inspection, peers: Peers) -> Iterator[Finding]:
    least, n_events = card.fitness.min_duration_s, seen.profile.n_events
    known = peers.good_values("duration_s")
    if known.size and n_events < card.events.min_events:
        least = max(least, SHORT_SHARE * float(known.min()))
    if seen.duration_s < least:
        yield Finding(
            "too-short", "blocking",
            f"{si(seen.duration_s)}s recorded, {card.title} needs at least {si(least)}s: "
            "record longer",
        )  # fmt: skip
        return
    if n_events < card.events.min_events:
        yield Finding(
            "few-events", "limiting",
            f"found {n_events} {card.events.unit_name}(s), expected at least "
            f"{card.events.min_events}: record longer, or the signal itself lacks them",
        )  # fmt: skip


def _coupling(card: SystemCard, seen: Inspection, peers: Peers) -> Iterator[Finding]:
    fit = seen.profile.fit
    want = peers.coupling or (card.coupling if card.coupling != "any" else None)
    if want and seen.coupling and seen.coupling != want:
        yield Finding(
            "coupling", "blocking",
            f"recorded {seen.coupling.upper()} coupled, the references are {want.upper()} "
            f"coupled: record again with {want.upper()} coupling",
        )  # fmt: skip
        return
    for role in seen.profile.roles:
        looks = looks_coupled(role, fit, peers)
        if looks:
            other = "DC" if looks == "AC" else "AC"
            yield Finding(
                "coupling-looks", "blocking",
                f"channel {role} looks {looks} coupled (mean {fit[f'mean:{role}']:.3g}) while the "
                f"references are {other} coupled: check the input's coupling and record again",
            )  # fmt: skip
            return


def looks_coupled(role: str, fit: Mapping[str, float], peers: Peers) -> str:
    """'AC' or 'DC' when a channel lost, or has, a DC part that every good reference has, or lacks.

    Nothing is said where a known fault looks the same: then it is a finding about the car; nor
    against references of another context, whose levels may rightly differ.
    """
    if not peers.exact:
        return ""
    looks = _looks(role, fit, peers)
    return "" if looks and any(_looks(role, f, peers) == looks for f in peers.fault) else looks


def _looks(role: str, fit: Mapping[str, float], peers: Peers) -> str:
    """AC: it averages to nothing and reaches below every good reference by a good part of their
    mean. DC: its mean is far larger than anything that swings in them."""
    swing, means = peers.good_values(f"swing:{role}"), peers.good_values(f"mean:{role}")
    if swing.size == 0 or f"mean:{role}" not in fit:
        return ""
    mean, low = fit[f"mean:{role}"], fit[f"low:{role}"]
    usual = float(np.median(means))
    steady = float(np.sign(usual) * means.min()) if usual > 0 else float(-means.max())
    lowest = float(peers.good_values(f"low:{role}").min())
    lost = abs(mean) < AC_CENTRE * abs(usual) and steady > 0.4 * abs(usual)
    if lost and usual > 0 and low < lowest - AC_SHIFT * usual:
        return "AC"
    largest = max(float(swing.max()), float(np.abs(means).max()))
    return "DC" if abs(mean) > DC_EXCESS * largest and abs(usual) < float(swing.max()) else ""


def _dead(
    card: SystemCard, role: str, unit: str, fit: Mapping[str, float], peers: Peers
) -> Iterator[Finding]:
    swing = fit[f"swing:{role}"]
    if not is_dead(role, fit, peers, card.fitness.min_swing):
        return
    yield Finding(
        "dead", "blocking",
        f"channel {role} shows no signal (swing {swing:.3g} {unit}): check the probe, the "
        "ground and the channel, then record again",
    )  # fmt: skip


def is_dead(role: str, fit: Mapping[str, float], peers: Peers, least: float) -> bool:
    """Whether a channel shows noise, idle codes or hum only, and no known fault is that flat.

    least: the card's own smallest credible swing, for captures without references.
    """
    swing, mean = fit[f"swing:{role}"], fit[f"mean:{role}"]
    floor = max(DEAD_NOISE * fit[f"noise:{role}"], DEAD_STEPS * fit[f"step:{role}"])
    good, every = peers.good_values(f"swing:{role}"), peers.all_values(f"swing:{role}")
    if good.size == 0:
        return swing <= max(least, 0.0)
    if _like_a_flat_fault(role, fit, peers):
        return False
    smallest = float(good.min())
    means = np.abs(peers.good_values(f"mean:{role}"))
    level = float(means.min())
    no_level = level > 0.3 * smallest and abs(mean) < 0.1 * level
    # an open lead with hum on it: no level, and too little swing for how little level there is
    share = 0.8 if level > 2.0 * smallest else 0.4
    if swing < DEAD_SHARE * smallest or (no_level and swing < share * smallest):
        return True
    return swing <= floor and swing < 0.7 * float(every.min())


def _like_a_flat_fault(role: str, fit: Mapping[str, float], peers: Peers) -> bool:
    """Whether a known fault is as flat as this capture, at the same level: then it is a finding."""
    for other in peers.fault:
        if f"swing:{role}" not in other:
            continue
        flat = other[f"swing:{role}"] < 1.5 * max(fit[f"swing:{role}"], 1e-12)
        near = abs(other[f"mean:{role}"] - fit[f"mean:{role}"])
        if flat and near < 2.0 * max(other[f"swing:{role}"], fit[f"swing:{role}"]):
            return True
    return False


def _rail(
    role: str, fit: Mapping[str, float], peers: Peers, attenuation: float
) -> Iterator[Finding]:
    for side in ("top", "bottom"):
        if on_rail(role, side, fit, peers):
            share = 100 * fit[f"{side}_share:{role}"]
            yield Finding(
                "clipped", "blocking",
                f"channel {role} is clipped at its {side} ({share:.2g} % of the samples): "
                f"use a larger attenuation than x{attenuation:g} and record again",
            )  # fmt: skip
            return


def _overload(fit: Mapping[str, float], attenuation: float) -> Iterator[Finding]:
    if fit.get("overload_share", 0.0) > RAIL_SHARE:
        yield Finding(
            "clipped", "blocking",
            f"the instrument marked {100 * fit['overload_share']:.2g} % of samples as overload: "
            f"use a larger attenuation than x{attenuation:g} and record again",
        )  # fmt: skip


def on_rail(role: str, side: str, fit: Mapping[str, float], peers: Peers) -> bool:
    """Whether a channel is clipped at its top or bottom: it dwells on the extreme code, or most
    events end on the very same code, as those of the references do not."""
    share, run = fit[f"{side}_share:{role}"], fit[f"{side}_run:{role}"]
    most = _usual(peers.all_values(f"{side}_share:{role}"))
    longest = _usual(peers.all_values(f"{side}_run:{role}"))
    dwells = share > max(RAIL_SHARE, 3.0 * most) and run >= max(RAIL_RUN, 1.5 * longest)
    coarse = fit[f"step:{role}"] >= fit[f"noise:{role}"]
    if dwells and coarse and _rests_there(role, side, share, peers):
        dwells = _cut_short(role, side, fit, peers)
    return dwells or _peaks_meet(role, side, fit, peers)


def _rests_there(role: str, side: str, share: float, peers: Peers) -> bool:
    """Whether the references rest near that extreme for about as long, as a logic level does: on
    a coarse instrument such a level is one code, and no sign of clipping."""
    near = peers.good_values(f"{side}_near:{role}")
    if near.size == 0:
        return False
    usual = float(np.median(near))
    return share > RAIL_LEVEL or 0.3 * usual <= share <= 2.0 * usual


def _cut_short(role: str, side: str, fit: Mapping[str, float], peers: Peers) -> bool:
    """Whether that extreme falls short of where it lies in every good reference."""
    name = f"{'high' if side == 'top' else 'low'}:{role}"
    known = peers.good_values(name)
    margin = RAIL_SHORT * float(np.median(peers.good_values(f"swing:{role}")))
    if side == "top":
        return fit[name] < float(known.min()) - margin
    return fit[name] > float(known.max()) + margin


def _peaks_meet(role: str, side: str, fit: Mapping[str, float], peers: Peers) -> bool:
    """Whether most events peak on one and the same code, which the references' events do not."""
    hits, swing = fit.get(f"{side}_hits:{role}", 0.0), fit[f"swing:{role}"]
    known = peers.all_values(f"{side}_hits:{role}")
    extreme = fit[f"{'high' if side == 'top' else 'low'}:{role}"]
    away = abs(extreme - fit[f"middle:{role}"]) > RAIL_AWAY * swing
    fine = swing > RAIL_CODES * fit[f"step:{role}"]
    often = hits >= max(RAIL_EVENTS, 1.5 * _usual(known))
    return known.size > 0 and fit["n_events"] >= 5 and away and fine and often


def _usual(values: Floats) -> float:
    """95th percentile of what references show; 0 without references."""
    return float(np.quantile(values, 0.95)) if values.size else 0.0


def _noise(role: str, unit: str, fit: Mapping[str, float], peers: Peers) -> Iterator[Finding]:
    noise, known = fit[f"noise:{role}"], peers.good_values(f"noise:{role}")
    swings = peers.good_values(f"swing:{role}")
    if known.size < 3 or not noise > 4.0 * float(known.max()):
        return
    if noise > 0.05 * float(np.median(swings)):
        yield Finding(
            "noisy", "limiting",
            f"channel {role} has {noise:.3g} {unit} of noise, the references at most "
            f"{float(known.max()):.3g} {unit}: small features are hidden; check ground and lead",
        )  # fmt: skip


def si(value: float) -> str:
    """A number with an SI prefix and a blank, ready for its unit: 125000 -> '125 k'."""
    for factor, prefix in ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "u")):
        if abs(value) >= 0.9995 * factor:  # three digits would round it up to the next prefix
            return f"{value / factor:.3g} {prefix}"
    return f"{value:.3g} "
