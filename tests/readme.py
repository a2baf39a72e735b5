"""The parts of README.md that the program itself writes, so that they cannot go stale.

    python -m tests.readme write           fills every marked part in
    python -m tests.readme show NAME       prints a marked part, for instance the test command
    python -m tests.readme compare NAME    compares standard input with it; numbers may differ
                                           in their third digit, words may not

A part stands between `<!-- NAME -->` and `<!-- end NAME -->`. `show` and `compare` need nothing
but Python, so that they run before anything is installed.
"""

from __future__ import annotations

import math
import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
README = ROOT / "README.md"
TOLERANCE = 0.02
_NUMBER = re.compile(r"[-+]?\d+(?:\.\d+)?(?:e[-+]?\d+)?")


def part(name: str, text: str | None = None) -> str:
    """A marked part, without its fences."""
    whole = README.read_text("utf-8") if text is None else text
    found = re.search(f"<!-- {name} -->\n(.*?)<!-- end {name} -->", whole, re.S)
    if found is None:
        raise SystemExit(f"README.md: expected a part '{name}', found none")
    lines = found[1].strip("\n").splitlines()
    return "\n".join(line for line in lines if not line.startswith("```")) + "\n"


def differences(shown: str, real: str) -> list[str]:
    """Lines that differ in words, or in a number by more than the tolerance."""
    a, b = shown.rstrip().splitlines(), real.rstrip().splitlines()
    wrong = [f"{len(a)} lines shown, {len(b)} real"] if len(a) != len(b) else []
    for one, other in zip(a, b, strict=False):
        if not _alike(one, other):
            wrong += [f"- {one}", f"+ {other}"]
    return wrong


def _alike(one: str, other: str) -> bool:
    if " ".join(_NUMBER.sub("#", one).split()) != " ".join(_NUMBER.sub("#", other).split()):
        return False
    pairs = zip(_NUMBER.findall(one), _NUMBER.findall(other), strict=True)
    return all(
        math.isclose(float(x), float(y), rel_tol=TOLERANCE, abs_tol=TOLERANCE / 100)
        for x, y in pairs
    )


def table(*rows: tuple[str, ...]) -> str:
    """A Markdown table; the first row is its head."""
    cells = [[cell.replace("|", "\\|") for cell in row] for row in rows]
    lines = ["| " + " | ".join(row) + " |" for row in cells]
    lines.insert(1, "|" + "---|" * len(rows[0]))
    return "\n".join(lines) + "\n"


def systems() -> str:
    """Every system: its name, channels, what it is, and where simulated references start it."""
    from cli.records import wired
    from refdb.cards import shipped_cards

    rows = [("system", "what it is", "channels", "faults known by name")]
    rows += [
        (f"`{card.name}`", card.title, wired(card), str(len(card.faults)))
        for card in shipped_cards().values()
    ]
    return table(*rows)


def commands() -> str:
    """Every command with its arguments and its own help sentence."""
    import typer

    from cli.main import app

    group = typer.main.get_command(app)
    rows = [("command", "what it does", "options")]
    for name, command in group.commands.items():  # type: ignore[attr-defined]
        arguments = [p.metavar or p.name for p in command.params if p.param_type_name == "argument"]
        options = [p.opts[0] for p in command.params if p.param_type_name == "option"]
        first = (command.help or "").split("\n")[0]
        rows.append(
            (f"`{' '.join([name, *arguments])}`", first, " ".join(f"`{o}`" for o in options))
        )
    return table(*rows)


def exits() -> str:
    """What the exit codes say."""
    from cli.exits import EXITS

    rows = [
        (str(code), of if of.startswith("every") else f"`{of}`", says) for code, of, says in EXITS
    ]
    return table(("code", "of", "says"), *rows)


def cautions() -> str:
    """Every caution's text."""
    from matching.cautions import CAUTIONS, GENERAL

    return "\n".join(f"- {text}" for text in (*CAUTIONS.values(), GENERAL)) + "\n"


def units() -> str:
    """Every unit a channel may have."""
    from refdb.units import UNITS

    return ", ".join(f"`{unit}`" for unit in UNITS) + "\n"


def output() -> str:
    """What the main job prints, run on the tree with a new catalogue."""
    arguments = part("main-job").split(".venv/bin/straygauge ")[1].split()
    with tempfile.TemporaryDirectory() as folder:
        done = subprocess.run(
            [sys.executable, "-m", "cli.main", *arguments],
            cwd=ROOT, capture_output=True, text=True, timeout=600,
            env={**os.environ, "STRAYGAUGE_CATALOGUE": str(Path(folder) / "c.sqlite")},
        )  # fmt: skip
    assert done.stderr == "", done.stderr
    return f"```text\n{done.stdout}```\n"


PARTS: dict[str, Callable[[], str]] = {
    "systems": systems,
    "commands": commands,
    "exits": exits,
    "cautions": cautions,
    "units": units,
    "output": output,
}


def filled(text: str, names: list[str]) -> str:
    """`text` with the named parts written anew."""
    for name in names:
        pattern = f"(<!-- {name} -->\n).*?(<!-- end {name} -->)"
        body = PARTS[name]()
        text, count = re.subn(pattern, lambda m, b=body: m[1] + b + m[2], text, flags=re.S)
        assert count == 1, name
    return text


def main(arguments: list[str]) -> int:
    """Runs `write`, `show NAME` or `compare NAME`."""
    match arguments:
        case ["write", *names]:
            README.write_text(filled(README.read_text("utf-8"), names or list(PARTS)), "utf-8")
        case ["show", name]:
            print(part(name), end="")
        case ["compare", name]:
            wrong = differences(part(name), sys.stdin.read())
            print("\n".join(wrong) or f"README's '{name}' is what is printed")
            return 1 if wrong else 0
        case _:
            print(__doc__)
            return 2
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
