"""What instruments write beside the numbers: names, units, rates. Words in, plain values out."""

from __future__ import annotations

import re

from refdb.captures.options import TIME_UNITS, clean_name
from refdb.captures.timeaxis import roundest
from refdb.errors import CaptureError
from refdb.units import canonical_unit

MAX_TITLE = 200  # longer is no title; and the patterns below take their time on it
_TIME_NAMES = {
    "t", "time", "x", "x-axis", "x_axis", "xaxis", "zeit", "temps", "tiempo", "tempo", "timestamp",
    "timestamps", "time_stamp", "elapsed", "elapsed_time", "time_base", "timebase", "abscissa",
    "time_axis", "relative_time", "rel._time", "tid",
}  # fmt: skip
_INDEX_NAMES = {
    "index", "sample", "samples", "sample_no", "sample_number", "sample_index", "point", "points",
    "no", "no.", "nr", "nr.", "n", "i", "row", "idx",
}  # fmt: skip
_RATE_NAMES = {
    "fs", "sr", "rate", "sample_rate", "samplerate", "sampling_rate", "samplingrate", "fsample",
    "sample_frequency", "sampling_frequency", "sampling_freq", "sample_freq", "f_s", "samp_rate",
    "samples_per_second", "abtastrate", "acquisition_rate", "sample_rate_hz", "rate_hz", "fs_hz",
}  # fmt: skip
_STEP_NAMES = {
    "dt", "delta_t", "delta_time", "sample_interval", "sampling_interval", "sample_period",
    "sampling_period", "sample_time", "sampling_time", "time_step", "timestep", "x_increment",
    "xincrement", "increment", "time_increment", "time_interval", "time_resolution", "ts", "t_s",
    "interval", "sample_spacing", "xinc", "x_interval", "horizontal_interval", "dt_s",
}  # fmt: skip
_UNIT_NAMES = {
    "unit", "units", "vertical_unit", "vertical_units", "y_unit", "y_units", "yunit", "yunits",
    "channel_unit", "channel_units",
}  # fmt: skip
_TIME_UNIT_NAMES = {
    "time_unit", "time_units", "horizontal_unit", "horizontal_units", "x_unit", "x_units",
    "xunit", "xunits",
}  # fmt: skip
_PORTS = {"ch", "channel", "chan", "kanal", "input", "trace", "probe", "in", "line", "port"}

_BRACKETED = re.compile(r"^(?P<name>.*?)\s*[(\[{](?P<unit>[^()\[\]{}]*)[)\]}]\s*$")
_AFTER_MARK = re.compile(r"^(?P<name>.+?)\s*(?:,|/|;|\sin\s)\s*(?P<unit>[^,/;]+(?:/[sh])?)$")
_SUFFIXED = re.compile(r"^(?P<name>.+?)[\s_](?P<unit>[^\s_]+)$")
_QUANTITY = re.compile(
    r"(?P<number>[-+]?(?:\d+(?:[.,]\d*)?|\.\d+)(?:[eE][-+]?\d+)?)\s*(?P<unit>[^\s\d,;)\]]*)"
)
_PREFIXES = {"": 1.0, "k": 1e3, "K": 1e3, "M": 1e6, "G": 1e9, "m": 1e-3}
_RATE_UNIT = re.compile(
    r"^(?P<prefix>[kKMGm]?)(?:s/s|sa/s|sps|hz|samples?/s(?:ec(?:ond)?)?|s/sec|pts/s)$",
    re.IGNORECASE,
)


def time_factor(text: str) -> float | None:
    """Seconds per unit of time written as `text`; None if it is no unit of time."""
    return TIME_UNITS.get(text.strip().strip("()[]").strip().lower())


def known_unit(text: str) -> str | None:
    """The canonical spelling of a channel unit, or None."""
    try:
        return canonical_unit(text.strip().strip("()[]"))
    except CaptureError:
        return None


def is_unit_word(text: str) -> bool:
    """Whether a cell holds a unit and nothing else (a bare '1' is a channel's number)."""
    bare = text.strip()
    return bare != "1" and (time_factor(bare) is not None or known_unit(bare) is not None)


def split_unit(text: str) -> tuple[str, str | None]:
    """A column title as (name, unit as written or None): 'CH1 (mV)', 't_us', 'Time,s'.

    In brackets anything is a unit, also one nobody knows; elsewhere only what is known.
    """
    title = text.strip()
    if len(title) > MAX_TITLE:
        return title, None
    bracketed = _BRACKETED.match(title)
    if bracketed and bracketed["unit"].strip():
        return bracketed["name"].strip(), bracketed["unit"].strip()
    if is_unit_word(title) and clean_name(title) not in _TIME_NAMES:
        return "", title
    for pattern in (_AFTER_MARK, _SUFFIXED):
        match = pattern.match(title)
        if match is None or not is_unit_word(match["unit"]):
            continue
        name, unit = match["name"].strip(), match["unit"].strip()
        if pattern is _SUFFIXED and clean_name(name) in _PORTS:
            continue  # 'ch A' is a socket, not ampere
        if time_factor(unit) is not None and clean_name(name) not in _TIME_NAMES:
            continue  # 'flow g/s' ends in no second, 'dwell_ms' is no time axis
        return name, unit
    return title, None


def is_time_title(text: str) -> bool:
    """Whether a column title is that of a time axis, by its name or by its unit."""
    name, unit = split_unit(text)
    if unit is not None and time_factor(unit) is not None:
        return True
    return clean_name(name) in _TIME_NAMES and (unit is None or known_unit(unit) is None)


def is_index_title(text: str) -> bool:
    """Whether a column title is that of a running number."""
    return clean_name(text) in _INDEX_NAMES


def rate_of(key: str, value: str) -> float | None:
    """Samples per second if `key: value` says so ('Sample rate: 100 kS/s', 'dt: 1e-5'), or None.

    The value may also hold its unit in another cell, before or after the number.
    """
    if len(key) > MAX_TITLE or len(value) > MAX_TITLE:
        return None
    name, key_unit = split_unit(key)
    word = clean_name(name)
    whole = clean_name(key)
    if {word, whole} & _RATE_NAMES:
        step = False
    elif {word, whole} & _STEP_NAMES:
        step = True
    else:
        key_unit_match = re.match(r"^(.+)_([kmg]?hz)$", whole)
        if key_unit_match is None or key_unit_match[1] not in _RATE_NAMES:
            return None
        step, key_unit = False, key_unit_match[2].replace("mhz", "Mhz").replace("ghz", "Ghz")
    match = _QUANTITY.search(value)
    if match is None:
        return None
    number = float(match["number"].replace(",", "."))
    unit = match["unit"] or key_unit or value.replace(match["number"], "").strip(" ,;\t")
    if step:
        seconds = number * (time_factor(unit or "s") or 1.0)
        return roundest(1.0 / seconds, 1e-12) if seconds > 0 else 0.0
    in_hz = _RATE_UNIT.match(unit or "Hz")
    return number * (_PREFIXES[in_hz["prefix"]] if in_hz else 1.0)


def unit_hint(key: str, value: str) -> list[str] | None:
    """The channel units a preamble line states ('Units: V', 'Vertical units,V,V'), or None."""
    if clean_name(key) not in _UNIT_NAMES:
        return None
    units = [known_unit(cell) for cell in re.split(r"[,;\t]", value) if cell.strip()]
    known = [unit for unit in units if unit is not None]
    return known if known and len(known) == len(units) else None


def time_unit_hint(key: str, value: str) -> str | None:
    """The time unit a preamble line states ('Time unit: ms'), or None."""
    word = value.strip(" ,;\t")
    return word if clean_name(key) in _TIME_UNIT_NAMES and time_factor(word) is not None else None


def coupling_hint(key: str, value: str) -> str | None:
    """'ac' or 'dc' if a preamble line states one coupling for all channels, or None."""
    if not clean_name(key).endswith("coupling"):
        return None
    words = {cell.strip().lower() for cell in re.split(r"[,;\t]", value) if cell.strip()}
    return words.pop() if words in ({"ac"}, {"dc"}) else None
