"""Units a channel can carry, and conversion between units of one dimension."""

from refdb.errors import CaptureError

# unit -> (dimension, factor to the dimension's base unit). `a.u.` is the uncalibrated pickup:
# a dimension of its own, because a shape without a scale must never be compared as volts.
UNITS: dict[str, tuple[str, float]] = {
    "V": ("voltage", 1.0),
    "mV": ("voltage", 1e-3),
    "uV": ("voltage", 1e-6),
    "kV": ("voltage", 1e3),
    "A": ("current", 1.0),
    "mA": ("current", 1e-3),
    "uA": ("current", 1e-6),
    "kA": ("current", 1e3),
    "bar": ("pressure", 1e5),
    "mbar": ("pressure", 1e2),
    "Pa": ("pressure", 1.0),
    "kPa": ("pressure", 1e3),
    "MPa": ("pressure", 1e6),
    "psi": ("pressure", 6894.757293168),
    "degC": ("temperature", 1.0),
    "deg": ("angle", 1.0),
    "Hz": ("frequency", 1.0),
    "kHz": ("frequency", 1e3),
    "rpm": ("speed", 1.0),
    "g/s": ("mass flow", 1.0),
    "kg/h": ("mass flow", 1.0 / 3.6),
    "Ohm": ("resistance", 1.0),
    "%": ("ratio", 1e-2),
    "1": ("ratio", 1.0),
    "a.u.": ("uncalibrated", 1.0),
}

_SPELLINGS = {
    "volt": "V", "volts": "V", "vdc": "V", "v dc": "V", "vac": "V", "v ac": "V",
    "millivolt": "mV", "millivolts": "mV", "kilovolt": "kV", "kilovolts": "kV",
    "microvolt": "uV", "microvolts": "uV", "\u00b5v": "uV", "\u03bcv": "uV",
    "amp": "A", "amps": "A", "ampere": "A", "amperes": "A", "milliamp": "mA", "milliamps": "mA",
    "milliampere": "mA", "milliamperes": "mA", "microamp": "uA", "microamps": "uA",
    "\u00b5a": "uA", "\u03bca": "uA", "kiloamp": "kA", "kiloamps": "kA",
    "au": "a.u.", "arb": "a.u.", "raw": "a.u.", "counts": "a.u.",
    "pascal": "Pa", "kilopascal": "kPa", "megapascal": "MPa", "millibar": "mbar",
    "\u00b0c": "degC", "deg c": "degC", "celsius": "degC",
    "degree": "deg", "degrees": "deg", "\u00b0": "deg",
    "ohm": "Ohm", "ohms": "Ohm", "\u03c9": "Ohm", "\u2126": "Ohm",
    "percent": "%", "hertz": "Hz", "kilohertz": "kHz", "1/min": "rpm", "r/min": "rpm",
}  # fmt: skip


def canonical_unit(text: str) -> str:
    """The spelling used here for a unit as people and instruments write it.

    Raises CaptureError for a unit that is not known, naming those that are.
    """
    stripped = text.strip()
    if stripped in UNITS:
        return stripped
    spelled = _SPELLINGS.get(stripped.lower())
    if spelled is not None:
        return spelled
    same_letters = [unit for unit in UNITS if unit.lower() == stripped.lower()]
    if len(same_letters) == 1:
        return same_letters[0]
    raise CaptureError(
        f"unit {stripped!r}: expected one of {', '.join(UNITS)}; write the channel as name=unit"
    )


def dimension(unit: str) -> str:
    """The dimension of a canonical unit, for instance 'voltage' for 'kV'."""
    return UNITS[unit][0]


def factor(from_unit: str, to_unit: str) -> float:
    """What a value in `from_unit` is multiplied with to be in `to_unit`.

    Raises CaptureError if the two are of different dimensions.
    """
    if dimension(from_unit) != dimension(to_unit):
        raise CaptureError(
            f"unit '{from_unit}': expected a {dimension(to_unit)} such as {to_unit}, "
            f"found a {dimension(from_unit)}; correct the channel's unit"
        )
    return UNITS[from_unit][1] / UNITS[to_unit][1]
