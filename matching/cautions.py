"""What to take care of while probing. System cards name the keys; the texts stand here once.

They remind, they do not instruct: the vehicle maker's procedure, local rules and qualified
people come first.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

CAUTIONS: dict[str, str] = {
    "secondary-voltage": (
        "Ignition secondary voltage can injure and kill: 40 kV and more (common practice). Use a "
        "pickup made for it, keep hands, leads and pacemakers away, never open a secondary "
        "circuit while the engine turns."
    ),
    "primary-voltage": (
        "A coil primary swings to several hundred volts when it is switched off (300 to 450 V, "
        "common practice): use an attenuator rated for it, do not touch bare terminals."
    ),
    "high-voltage": (
        "High-voltage vehicle: above 60 V DC or 30 V AC (49 CFR 571.305 S3) only people "
        "qualified for it, with rated equipment, after the vehicle maker's shut-down procedure."
    ),
    "injector-voltage": (
        "Injector drivers step up to 65 V or more, and coils kick back higher when they are "
        "switched off (common practice): use an attenuator rated for it, never ground a driver."
    ),
    "fuel-vapour": (
        "Fuel vapour ignites: no sparks, flames or hot lamps, air the place, make connections "
        "before power, keep an extinguisher at hand."
    ),
    "rotating-parts": (
        "Belts, fans and shafts turn, and an electric fan can start with the key off: tie back "
        "hair, sleeves and leads, route leads clear, park brake on, wheels chocked."
    ),
    "hot-parts": (
        "Exhaust, coolant and glow parts burn: let them cool, or route leads clear of them."
    ),
    "high-pressure-fuel": (
        "Fuel at injection pressure cuts through skin: never loosen a line on a running or just "
        "stopped engine, wait as long as the vehicle maker says, never feel for leaks by hand."
    ),
    "restraints": (
        "Airbag and belt-tensioner circuits share wiring and buses: do not probe them; follow the "
        "vehicle maker's disarming procedure and waiting time first."
    ),
    "bus-loading": (
        "Probe a data bus with 1 Mohm or more, never short or drive its wires: a loaded bus can "
        "stop control units that other people rely on."
    ),
    "battery-short": (
        "A battery can deliver over a thousand amperes into a short: no rings or loose tools near "
        "it, fuse the leads, charge only with ventilation."
    ),
    "starter-disable": (
        "Before cranking for a test stop fuel and spark the way the vehicle maker says, gear in "
        "neutral or park, park brake on, nobody near the belts; let the starter cool."
    ),
    "moving-vehicle": (
        "On the road one person drives and another reads; lash instrument and leads clear of "
        "pedals, wheels and airbags. On stands or rollers secure the vehicle first."
    ),
}
GENERAL = (
    "Follow the vehicle maker's procedure and local rules; the work is for qualified people. "
    "A verdict is an aid, not a proof."
)


# Above these a vehicle's voltage counts as high (49 CFR 571.305 S3).
HIGH_DC_V = 60.0
HIGH_AC_V = 30.0
# Systems with one of these cautions make high voltages of their own at 12 V.
_OF_THEIR_OWN = frozenset({"secondary-voltage", "primary-voltage", "injector-voltage"})


def is_high_voltage(dc_v: float, ac_v: float) -> bool:
    """Whether a direct voltage (V) or an alternating one (V rms) is above what 49 CFR 571.305
    S3 takes for safe to touch."""
    return abs(dc_v) > HIGH_DC_V or ac_v > HIGH_AC_V


def keys_for(keys: Sequence[str], volts: Iterable[tuple[float, float]]) -> tuple[str, ...]:
    """A card's caution keys, and the one for high voltage where a channel shows it.

    volts: (mean, rms about it) of each voltage channel, V.
    """
    if "high-voltage" in keys or _OF_THEIR_OWN & set(keys):
        return tuple(keys)
    return (*keys, "high-voltage") if any(is_high_voltage(*v) for v in volts) else tuple(keys)


def text_of(caution: str) -> str:
    """The text behind a key; anything else is a text already and comes back as it is."""
    return CAUTIONS.get(caution, caution)


def texts(keys: Iterable[str]) -> tuple[str, ...]:
    """The texts of a card's cautions, in its order."""
    return tuple(text_of(key) for key in keys)
