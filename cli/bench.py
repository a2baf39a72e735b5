"""Plans, engine families and instruments, printed for a person or as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from cli.output import print_json
from cli.sheet import Sheet
from cli.words import counted, number

if TYPE_CHECKING:
    from matching.instruments_compared import Comparison, Side
    from matching.plan import Plan
    from refdb.bench_records import Bench, BenchReading, Family


def print_plan(plan: Plan, json: bool) -> None:
    """Prints how to capture a system."""
    if json:
        from matching.plan import plan_json

        print_json(plan_json(plan))
        return
    sheet = Sheet()
    sheet.say(f"{plan.system}: {plan.title}", style="bold")
    conditions = "; ".join(f"{name} ({text})" for name, text in plan.conditions.items())
    rows = [("connect", plan.connect), ("channels", "; ".join(plan.channels))]
    rows += [("conditions", conditions)]
    for one in plan.ranges:
        peak = f"up to {number(one.peak)} {one.unit}, faults included ({plan.peak_source})"
        rows += [(f"{one.channel} peak", peak), (f"{one.channel} range", one.text)]
    rows += [
        ("coupling", f"{plan.coupling.upper() if plan.coupling != 'any' else 'either'}: "
         f"{plan.coupling_text}"),
        ("rate", f"{number(plan.rate_hz)} Hz: {plan.rate_text}"),
        ("least rate", f"{number(plan.least_hz)} Hz"),
        ("length", f"{number(plan.length_s)} s: {plan.length_text}; "
         f"{plan.samples} samples a channel"),
        ("trigger", plan.trigger),
    ]  # fmt: skip
    rows += [("family" if i == 0 else "", text) for i, text in enumerate(plan.family)]
    sheet.columns([row for row in rows if row[1]], "ll")
    what = f" with {plan.instrument}" if plan.instrument else ""
    if plan.cannot_show:
        sheet.say(f"What it cannot show{what}", style="bold")
        for text in plan.cannot_show:
            sheet.say(text, indent=2, hang=2)
    sheet.say("Take care", style="bold")
    for text in plan.cautions:
        sheet.say(text, indent=2, hang=2)


# --- families ------------------------------------------------------------------------------


def print_families(found: Sequence[Family], json: bool) -> None:
    """Prints families, a line each."""
    if json:
        print_json([asdict(one) for one in found])
        return
    sheet = Sheet()
    rows = [("name", "cylinders", "order", "fuel", "crank wheel")]
    rows += [
        (one.name, str(one.cylinders or "-"), _joined(one.firing_order), one.fuel, one.crank_wheel)
        for one in found
    ]
    if found:
        sheet.columns(rows, "lrlll", indent=0)
    sheet.say("1 family" if len(found) == 1 else f"{len(found)} families")


def print_family(one: Family, json: bool) -> None:
    """Prints all that is known of a family, and what is not."""
    if json:
        print_json(asdict(one))
        return
    sheet = Sheet()
    sheet.say(f"family {one.name}", style="bold")
    facts = {name: _fact(value) for name, value in asdict(one).items() if name != "name"}
    labels = {name: name.replace("_", " ") for name in facts}
    sheet.columns([(labels[name], text) for name, text in facts.items() if text], "ll")
    missing = ", ".join(
        labels[name] for name, text in facts.items() if not text and "vin" not in name
    )
    if missing:
        sheet.say(f"not known, and then not computed with: {missing}", indent=2, hang=2)


def _fact(value: Any) -> str:
    if isinstance(value, (tuple, list)):
        return _joined(value)
    return number(value) if isinstance(value, float) else "" if value is None else str(value)


def _joined(values: Sequence[float]) -> str:
    return "-".join(number(value) for value in values)


# --- instruments ---------------------------------------------------------------------------


def print_benches(found: Sequence[Bench], json: bool) -> None:
    """Prints instruments, a line each."""
    if json:
        print_json([asdict(one) for one in found])
        return
    sheet = Sheet()
    rows = [("name", "range", "bits", "channels: rate", "readings")]
    rows += [
        (one.instrument.name, f"+/-{number(one.instrument.range_v)} V", str(one.instrument.bits),
         _rates(one), str(len(one.readings)))
        for one in found
    ]  # fmt: skip
    if found:
        sheet.columns(rows, "lllll", indent=0)
    sheet.say(counted(len(found), "instrument"))


def _rates(bench: Bench) -> str:
    return ", ".join(f"{n}: {number(r)} Hz" for n, r in bench.instrument.max_rate_hz.items())


def print_bench(bench: Bench, json: bool) -> None:
    """Prints one instrument with what was measured of it."""
    if json:
        print_json(asdict(bench))
        return
    one, sheet = bench.instrument, Sheet()
    sheet.say(f"instrument {one.name}", style="bold")
    unknown = "not known"
    sheet.columns(
        [
            ("range", f"+/-{number(one.range_v)} V, {one.bits} bits"),
            ("rate", _rates(bench)),
            ("input", unknown if one.input_ohm is None else f"{number(one.input_ohm)} Ohm"),
            (
                "AC corner",
                unknown if one.ac_corner_hz is None else f"{number(one.ac_corner_hz)} Hz",
            ),
            ("attenuators", ", ".join(f"x{number(factor)}" for factor in one.attenuators)),
            *([("note", one.note)] if one.note else []),
        ],
        "ll",
    )
    if bench.readings:
        sheet.heading("Measured, at the bare input")
        _readings(sheet, bench.readings)


def print_readings(found: Sequence[BenchReading], json: bool) -> None:
    """Prints what was just measured."""
    if json:
        print_json([asdict(one) for one in found])
        return
    sheet = Sheet()
    sheet.say(f"instrument {found[0].instrument}, at the bare input", style="bold")
    _readings(sheet, found)


def _readings(sheet: Sheet, found: Sequence[BenchReading]) -> None:
    rows = [
        ("when", "channel", "kind", "noise rms", "offset", "drift a minute", "step", "bits", "")
    ]
    rows += [
        (one.at, one.channel, one.kind, f"{number(one.noise_rms_v)} V", f"{number(one.offset_v)} V",
         f"{number(one.drift_v_per_min)} V", f"{number(one.step_v)} V",
         number(one.effective_bits, 3), _sine(one))
        for one in found
    ]  # fmt: skip
    sheet.columns(rows, "lllrrrrrl")


def _sine(one: BenchReading) -> str:
    if one.sine_hz is None:
        return "bits at most: a quiet input hides distortion"
    sinad = "" if one.sinad_db is None else f", SINAD {number(one.sinad_db)} dB"
    return f"sine of {number(one.sine_hz, 6)} Hz, {number(one.sine_v)} V{sinad}"


def print_comparisons(found: Sequence[Comparison], json: bool) -> None:
    """Prints two instruments side by side, a line per system."""
    if json:
        print_json([asdict(one) for one in found])
        return
    sheet = Sheet()
    a, b = found[0].a.instrument, found[0].b.instrument
    rows = [("system", a, b, "only one can")]
    rows += [(one.system, _side(one.a, one), _side(one.b, one), _only(one)) for one in found]
    sheet.columns(rows, "llll", indent=0)
    sheet.say("of the measurements: by rate and channels; see each plan for range and noise")


def _side(side: Side, whole: Comparison) -> str:
    factor = "" if side.factor is None else f", x{number(side.factor)}"
    return f"{len(side.supported)} of {whole.total}{factor}"


def _only(one: Comparison) -> str:
    parts = [
        f"{side.instrument}: {', '.join(names)}"
        for side, names in ((one.a, one.only_a), (one.b, one.only_b))
        if names
    ]
    return "; ".join(parts)
