"""Names that regulations give to vehicles and engines: VIN and EPA family, checked and veiled.

A VIN points at a person. Only its descriptive part and a salted hash ever reach the catalogue.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass

from refdb.errors import CatalogueError

# 49 CFR 565.15(c): what a letter counts, and the weight of each place; place 9 is the check.
_COUNTS = {str(n): n for n in range(10)} | dict(
    zip("ABCDEFGHJKLMNPRSTUVWXYZ", (*range(1, 9), *range(1, 6), 7, 9, *range(2, 10)), strict=True)
)
_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
# A word of 17 such characters that ends in four digits and has a letter is taken for a VIN.
_LIKE_VIN = re.compile(
    r"(?<![A-Za-z0-9])(?=[0-9]*[A-Za-z])[A-HJ-NPR-Za-hj-npr-z0-9]{13}[0-9]{4}(?![A-Za-z0-9])"
)
# EPA: position 1 of a family name. Digits 2001-2009 (again 2031-2039), then 21 letters from 2010.
_EPA_LETTERS = "ABCDEFGHJKLMNPRSTVWXY"


def vin_check_digit(vin: str) -> str:
    """The check digit (place 9) of a VIN by 49 CFR 565.15(c): '0'-'9' or 'X'. vin: 17 characters,
    whatever stands at place 9. KeyError for a character that no VIN has."""
    rest = sum(_COUNTS[c] * w for c, w in zip(vin, _WEIGHTS, strict=True) if w) % 11
    return "X" if rest == 10 else str(rest)


def checked_vin(text: str) -> str:
    """The VIN in capitals. Raises CatalogueError, one line that does not repeat it, when length,
    characters or check digit are wrong."""
    vin = text.strip().upper()
    if len(vin) != 17:
        raise CatalogueError(
            f"VIN: expected 17 characters, found {len(vin)}; read it off the vehicle again"
        )
    for place, character in enumerate(vin, 1):
        if character not in _COUNTS and not (place == 9 and character == "X"):
            raise CatalogueError(
                f"VIN: expected digits and letters without I, O and Q, found {character!r} at "
                f"place {place}; read it off the vehicle again"
            )
    right = vin_check_digit(vin)
    if vin[8] != right:
        raise CatalogueError(
            f"VIN: expected check digit {right} at place 9 (49 CFR 565), found {vin[8]}; read it "
            "off the vehicle again, or leave it out where vehicles have no check digit"
        )
    return vin


def vin_part(vin: str) -> str:
    """The part that describes: maker and descriptor (places 1-8), model year and plant (10, 11).
    Neither check digit nor serial number."""
    return vin[:8] + vin[9:11]


def vin_hash(vin: str, salt: bytes) -> str:
    """A slow, salted hash (scrypt) of a VIN, 16 hex digits: the same car is known again.

    It hinders guessing the six digits of a serial number; whoever has catalogue and time can.
    """
    return hashlib.scrypt(vin.upper().encode(), salt=salt, n=2**14, r=8, p=1, dklen=8).hex()


def veiled(text: str, salt: bytes) -> str:
    """`text` with every word that looks like a VIN replaced by 'vin-HASH-PART'."""
    return _LIKE_VIN.sub(lambda found: _veil(found[0].upper(), salt), text)


def _veil(vin: str, salt: bytes) -> str:
    return f"vin-{vin_hash(vin, salt)}-{vin_part(vin)}"


@dataclass(frozen=True, slots=True)
class EpaFamily:
    """An EPA engine family (test group) name taken apart. years: one, or two 30 years apart.
    litres: None where the displacement has no decimal point (cubic inches or cc)."""

    years: tuple[int, ...]
    maker: str
    sector: str
    displacement: str
    litres: float | None
    own: str


def parse_epa_family(text: str) -> EpaFamily:
    """An EPA engine family name, 12 characters (epa.gov). Raises CatalogueError, one line."""
    name = text.strip().upper()
    if len(name) != 12:
        raise CatalogueError(
            f"EPA family '{name}': expected 12 characters, found {len(name)}; it stands on the "
            "emission label"
        )
    years = _epa_years(name)
    displacement = name[5:9]
    number = re.search(r"\d*\.\d+|\d+", displacement)
    if not re.fullmatch(r"[A-Z0-9]{3}", name[1:4]) or number is None:
        raise CatalogueError(
            f"EPA family '{name}': expected three letters for the maker and a displacement at "
            f"places 6 to 9, found '{name[1:4]}' and '{displacement}'; see the emission label"
        )
    litres = float(number[0]) if "." in displacement else None
    return EpaFamily(years, name[1:4], name[4], displacement, litres, name[9:])


def _epa_years(name: str) -> tuple[int, ...]:
    if name[0] in "123456789":
        return 2000 + int(name[0]), 2030 + int(name[0])
    if name[0] in _EPA_LETTERS:
        return (2010 + _EPA_LETTERS.index(name[0]),)
    raise CatalogueError(
        f"EPA family '{name}': expected a model year of 1-9 or a letter without I, O, Q, U and Z "
        f"at place 1, found '{name[0]}'; see the emission label"
    )
